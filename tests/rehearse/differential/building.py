"""Start-up programs made into ELF files with the cross compilers."""

from __future__ import annotations

import hashlib
import subprocess
from dataclasses import replace
from functools import cached_property
from pathlib import Path

from built import kept
from tools import required_tool

from .cases import Board, Case, Source

SOURCES = Path(__file__).parent / "source"
GCC = "arm-none-eabi-gcc"
COMMON = ("-mthumb", "-ffreestanding", "-fno-common", "-g1")
GCC_OPTIONS = (
    *(
        "-Wall",
        "-Werror",
        "-Wno-unused-function",
        "-Wno-array-bounds",
        "-Wno-stringop-overflow",
        "-Wno-infinite-recursion",
    ),
    "-fno-tree-loop-distribute-patterns",
    "-masm-syntax-unified",
)
CLANG_OPTIONS = ("--target=arm-none-eabi", "-w", "-fno-builtin")
LINKING = ("-nostdlib", "-Wl,--build-id=sha1", "-Wl,-z,max-page-size=16", "-Wl,--no-warn-rwx-segments")


class Builder:
    """Builds programs in a folder; what is shared is made once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._compilers = {"gcc": required_tool(GCC), "clang": required_tool("clang")}
        self._scripts: dict[tuple[str, ...], Path] = {}
        self._built: dict[tuple[str, Source], bytes] = {}
        self._starts: dict[tuple[object, ...], Path] = {}

    def _script(self, core: str, source: Source) -> Path:
        """The linker script of a core, for where its program runs; made once."""
        runs_at = tuple(f"-D{define}" for define in source.defines if define.startswith("RUNS_AT"))
        key = (*self._define(core, source.board), *runs_at)
        if key not in self._scripts:
            script = self._folder / f"{core}-{len(self._scripts)}.ld"
            command = (self._compilers["gcc"], "-E", "-P", "-x", "c", *key)
            _run([*command, f"-I{SOURCES}", str(SOURCES / "board.ld"), "-o", str(script)])
            self._scripts[key] = script
        return self._scripts[key]

    @staticmethod
    def _define(core: str, board: Board) -> tuple[str, ...]:
        serial = (f"-DSERIAL={board.serial_of(core):#x}",) if board.defines else ()
        own = ("-DSTATION",) if core == "station" else ()
        return (*own, *serial, *(f"-D{define}" for define in board.defines))

    def build(self, case: Case) -> dict[str, bytes]:
        """Both cores' ELF files."""
        return {core: self.elf(core, case.program(core)) for core in ("station", "sampler")}

    def elf(self, core: str, source: Source) -> bytes:
        """The ELF file of one core's program; the same program is built once."""
        if (core, source) not in self._built:
            made_of = self._common, core, source
            self._built[core, source] = kept(made_of, lambda: self._compile(core, source))
        return self._built[core, source]

    @cached_property
    def _common(self) -> str:
        """What each program is made with: the sources that all share, and this module's options."""
        files = (*sorted(SOURCES.iterdir()), Path(__file__))
        return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()

    def _compile(self, core: str, source: Source) -> bytes:
        out = self._folder / f"{core}.elf"
        program = self._folder / f"{core}.c"
        program.write_text(f'#include "board.h"\n#line 1 "program.c"\n{source.code}', encoding="utf-8")
        objects = (self._object(core, source, program, program.with_suffix(".o")), self._start(core, source))
        architecture = (f"-march={source.board.compiled_for}", "-mthumb", "-mfloat-abi=soft")
        script = ("-T", str(self._script(core, source)))
        inputs = (*(str(each) for each in objects), "-lgcc")
        _run([self._compilers["gcc"], *architecture, *LINKING, *inputs, *script, "-o", str(out)])
        return out.read_bytes()

    def _start(self, core: str, source: Source) -> Path:
        """The start-up code with the program's macros, compiler and level; compiled once."""
        key = (core, source.board, source.defines, source.compiler, source.options[0])
        if key not in self._starts:
            out = self._folder / f"start-{len(self._starts)}.o"
            plain = replace(source, options=source.options[:1])
            self._starts[key] = self._object(core, plain, SOURCES / "start.c", out)
        return self._starts[key]

    def _object(self, core: str, source: Source, program: Path, out: Path) -> Path:
        target = (f"-march={source.board.compiled_for}", "-mfloat-abi=soft", f"-I{SOURCES}")
        defines = (*self._define(core, source.board), *(f"-D{define}" for define in source.defines))
        own = GCC_OPTIONS if source.compiler == "gcc" else CLANG_OPTIONS
        options = (*own, *target, *COMMON, *source.options, *defines)
        _run([self._compilers[source.compiler], *options, "-c", str(program), "-o", str(out)])
        return out


def _run(command: list[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)}\n{done.stderr}")
    return done.stdout
