"""What GDB's reader of debug information says of types, as plain data, for comparison.

A type is a list: ``["int", size, signed]``, ``["float", size]``, ``["bool", size]``, ``["pointer", size]``,
``["enum", size, {name: value}]``, ``["array", count, element]`` (None for an open one), ``["function"]``,
``["void"]``, or ``["struct" | "union", size, [[name, first bit, bits, type], ...]]`` where bits is 0 for
what is no bit field.  A declared type is ``["declared"]``.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tools import required_tool

from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.builds.dwarf.types import Array, Basic, Composite, Enumeration, Pointer

_INSIDE_GDB = """
import gdb, json

def told(t, depth=0):
    t = t.strip_typedefs().unqualified()
    code = t.code
    if code in (gdb.TYPE_CODE_STRUCT, gdb.TYPE_CODE_UNION):
        if t.sizeof == 0 and not t.fields():
            return ["declared"]
        members = []
        for f in t.fields():
            if not hasattr(f, "bitpos"):
                continue
            name = "(base)" if f.is_base_class else f.name or ""
            members.append([name, f.bitpos, f.bitsize, told(f.type, depth + 1)])
        return ["union" if code == gdb.TYPE_CODE_UNION else "struct", t.sizeof, members]
    if code == gdb.TYPE_CODE_ARRAY:
        low, high = t.range()
        count = high - low + 1
        return ["array", count if t.sizeof and count > 0 else None, told(t.target(), depth + 1)]
    if code == gdb.TYPE_CODE_ENUM:
        return ["enum", t.sizeof, {f.name.split("::")[-1]: f.enumval for f in t.fields()}]
    if code in (gdb.TYPE_CODE_PTR, gdb.TYPE_CODE_REF):
        return ["pointer", t.sizeof]
    if code == gdb.TYPE_CODE_FLT:
        return ["float", t.sizeof]
    if code == gdb.TYPE_CODE_BOOL:
        return ["bool", t.sizeof]
    if code in (gdb.TYPE_CODE_INT, gdb.TYPE_CODE_CHAR):
        return ["int", t.sizeof, t.is_signed]
    if code == gdb.TYPE_CODE_FUNC:
        return ["function"]
    return ["void"] if code == gdb.TYPE_CODE_VOID else ["code", code]

print("ANSWER" + json.dumps({name: told(gdb.lookup_type(name)) for name in NAMES}))
"""


def gdb_types(path: Path, names: Sequence[str]) -> dict[str, Any]:
    """The types of a file as GDB reads them, by the names asked for."""
    script = f"NAMES = {list(names)!r}\n{_INSIDE_GDB}"
    command = [required_tool("gdb-multiarch"), "-nx", "-batch", "-ex", f"python exec({script!r})", str(path)]
    answer = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    lines = [line for line in answer.stdout.splitlines() if line.startswith("ANSWER")]
    if not lines:
        raise AssertionError(f"GDB says nothing of {names} in {path.name}: {answer.stdout}{answer.stderr}")
    found: dict[str, Any] = json.loads(lines[0].removeprefix("ANSWER"))
    return found


def own_type(types: DebugTypes, reference: int | None) -> list[Any]:
    """The same as gemel reads it."""
    reference, found = types.resolved(reference)
    if isinstance(found, Basic):
        if found.encoding == "float":
            return ["float", found.size]
        if found.encoding == "boolean":
            return ["bool", found.size]
        return ["int", found.size, found.encoding == "signed"]
    if isinstance(found, Pointer):
        return ["pointer", found.size]
    if isinstance(found, Enumeration):
        return ["enum", found.size, dict(found.enumerators)]
    if isinstance(found, Array):
        inner = own_type(types, found.element)
        for count in reversed(found.counts):
            inner = ["array", count or None, inner]
        return inner
    if isinstance(found, Composite):
        if found.declaration:
            return ["declared"]
        members = [
            [member.name, member.bit, member.bits or 0, own_type(types, member.type)]
            for member in found.members
        ]
        return ["union" if found.kind == "union" else "struct", found.size, members]
    return ["void"] if found.words == "void" else [found.words]
