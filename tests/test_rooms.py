"""The rooms of the package: each is in a layer, so that the imports of none go unchecked."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def test_each_room_is_in_a_layer() -> None:
    """Every module and room at the top of the package stands in the layers that lint-imports checks, and no other."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    layers = next(each["layers"] for each in contracts if each["type"] == "layers")
    listed = sorted(name for layer in layers for name in layer.split(" | "))
    package = ROOT / "imgtool_src/gemel"
    parts = [each for each in package.iterdir() if each.suffix == ".py" or (each / "__init__.py").is_file()]
    assert listed == sorted(f"gemel.{each.stem}" for each in parts if not each.name.startswith("_"))
