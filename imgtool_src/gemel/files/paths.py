"""Names of files as text: importing ``pathlib`` takes 3 % of a join, a tenth of ``gemel explain``."""

from __future__ import annotations

import os


class FilePath(str):
    """A file's path as ``PurePath`` writes it, with what most commands ask of one; ``Path(path)`` has the rest."""

    __slots__ = ()

    def __new__(cls, path: str | os.PathLike[str]) -> FilePath:
        """``path`` without parts that are ``.`` and without doubled separators."""
        text = os.fspath(path)
        if os.sep != "/":
            from pathlib import PurePath

            return super().__new__(cls, str(PurePath(text)))
        rest = text.lstrip("/")
        slashes = len(text) - len(rest)
        root = "/" * (slashes if slashes < 3 else 1)  # two are kept (POSIX, 4.13)
        parts = (part for part in rest.split("/") if part not in ("", "."))
        return super().__new__(cls, root + "/".join(parts) or ".")

    def __truediv__(self, name: str) -> FilePath:
        return FilePath(os.path.join(self, name))

    @property
    def name(self) -> str:
        """The last part; empty for a root and for ``.``."""
        return "" if self == "." else os.path.basename(self)

    @property
    def suffix(self) -> str:
        """The end of the name from its last point on; empty where the name begins or ends with it."""
        at = self.name.rfind(".")
        return self.name[at:] if 0 < at < len(self.name) - 1 else ""

    @property
    def stem(self) -> str:
        """The name without the suffix."""
        return self.name.removesuffix(self.suffix)

    @property
    def parent(self) -> FilePath:
        """The folder; of a root and of ``.`` itself."""
        return FilePath(os.path.dirname(self))

    def with_suffix(self, suffix: str) -> FilePath:
        """The path with another suffix, or with one where it has none."""
        return FilePath(self.removesuffix(self.suffix) + suffix)
