"""How gemel's processes find gemel's own modules: by the byte code that Python keeps of them, where it is up to date.

Python's own finder and loader take some 80 microseconds a module, since packages come in many forms; a join
imports 300 modules.  This finder takes 20.  It makes the same comparison with the source (time and size, PEP 552) and
leaves everything else to Python: a module without byte code, or with one that is out of date, damaged, checked
by hash or compiled in another folder; a package in a zip file.
"""

from __future__ import annotations

import marshal
import os
import sys
from importlib.machinery import ModuleSpec, SourceFileLoader
from importlib.util import MAGIC_NUMBER, cache_from_source

TYPE_CHECKING = False
"""As of ``typing``, whose import takes longer than what is saved in some commands."""
if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import CodeType, ModuleType

FORM = MAGIC_NUMBER + bytes(4)
"""First bytes of byte code that is compared by time and size: the interpreter's number, no flags.

After them come the source's time and size, four bytes each and little endian, then the code.
"""

HEADER_SIZE = len(FORM) + 8


def find_by_byte_code(package: str) -> None:
    """Have the modules of ``package`` found so from now on, in this process."""
    if sys.implementation.cache_tag is not None:  # else this interpreter keeps no byte code
        sys.meta_path.insert(0, _Finder(package))


class _Finder:
    """Finds the modules of one package; stands before Python's own finders."""

    def __init__(self, package: str) -> None:
        self._start = f"{package}."
        self._paths: dict[str, tuple[str, str]] = {}

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """What Python's own finder would say of the module, or None, which asks that one."""
        if not path or not name.startswith(self._start):
            return None
        folder, last = path[0], name.rpartition(".")[2]
        found = self._spec(name, folder, last)
        if found is None:
            folder = os.path.join(folder, last)
            found = self._spec(name, folder, "__init__")
            if found is not None:
                found.submodule_search_locations = [folder]
        return found

    def _spec(self, name: str, folder: str, stem: str) -> ModuleSpec | None:
        """Of the module in ``stem``.py of a folder, if its byte code is up to date."""
        before, after = self._cache_path(folder)
        source, cached = f"{folder}{os.sep}{stem}.py", f"{before}{stem}{after}"
        try:
            with open(cached, "rb", buffering=0) as file:
                kept = file.readall()
            status = os.stat(source)
            if kept[:HEADER_SIZE] != FORM + _stored(status.st_mtime) + _stored(status.st_size):
                return None
            code = marshal.loads(memoryview(kept)[HEADER_SIZE:])  # noqa: S302 - what Python itself would load
        except (OSError, EOFError, ValueError, TypeError):  # missing or damaged
            return None
        if code.co_filename != source:
            return None
        spec = ModuleSpec(name, _Loader(name, source, code), origin=source)
        spec.cached = cached
        spec.has_location = True
        return spec

    def _cache_path(self, folder: str) -> tuple[str, str]:
        """What comes before and after a module's name in the path of its byte code."""
        if folder not in self._paths:
            before, _, after = cache_from_source(f"{folder}{os.sep}?.py").rpartition("?")
            self._paths[folder] = before, after
        return self._paths[folder]


def _stored(number: float) -> bytes:
    """A time or a size as the header has it: its lower 32 bits."""
    return (int(number) & 0xFFFF_FFFF).to_bytes(4, "little")


class _Loader(SourceFileLoader):
    """Python's own loader, with the code that was found."""

    def __init__(self, name: str, path: str, code: CodeType) -> None:
        super().__init__(name, path)
        self._code: CodeType | None = code

    def get_code(self, fullname: str) -> CodeType | None:
        """The code that was found, the first time; then what Python's own loader reads."""
        code, self._code = self._code, None
        return code or super().get_code(fullname)
