"""The rooms of the package: each is in a layer, so that the imports of none go unchecked."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TWICE = {
    "Address": "a 32-bit address, and the type of a layout's value that is one",
    "Choice": "one of a few words, in a layout and on the command line",
}
"""Names that two classes have, for what is the same of two kinds."""

NAMED = re.compile(r"^(?:class ([A-Z]\w*)|([A-Z]\w*[a-z]\w*)(?:: \w+)? = )", re.MULTILINE)
"""A class, or a name for a type."""


def test_each_room_is_in_a_layer() -> None:
    """Every module and room at the top of the package stands in the layers that lint-imports checks, and no other."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    layers = next(each["layers"] for each in contracts if each["type"] == "layers")
    listed = sorted(name for layer in layers for name in layer.split(" | "))
    package = ROOT / "imgtool_src/gemel"
    parts = [each for each in package.iterdir() if each.suffix == ".py" or (each / "__init__.py").is_file()]
    assert listed == sorted(f"gemel.{each.stem}" for each in parts if not each.name.startswith("_"))


def test_each_class_has_a_name_of_its_own() -> None:
    """A public class or name for a type is called as no other is, so that its name alone says what is meant."""
    texts = [file.read_text(encoding="utf-8") for file in (ROOT / "imgtool_src/gemel").rglob("*.py")]
    names = Counter(match[1] or match[2] for text in texts for match in NAMED.finditer(text))
    assert {name for name, count in names.items() if count > 1} == set(TWICE)
