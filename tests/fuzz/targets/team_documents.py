"""SBOM and VEX of a team, as a release takes them in; every other input is JSON with other values in it."""

from __future__ import annotations

import json
import random
from typing import Any

from cyclonedx.model.bom import Bom
from team_documents import CSAF, CYCLONEDX, OPENVEX, TEAM

from gemel.errors import GemelError
from gemel.release.sbom import merge_sbom
from gemel.release.vex import read_vex

REFUSALS = (GemelError,)
SEEDS = [json.dumps(each).encode() for each in (TEAM, CYCLONEDX, OPENVEX, CSAF)]
FOUND = [
    json.dumps(
        {**TEAM, "metadata": {"component": {"type": "firmware", "name": 1, "bom-ref": "top"}}}
    ).encode(),
]
ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    1e308,
    "",
    "x",
    "\x1b[31m",
    "\u202e",
    [],
    {},
    [None],
    "../x",
    1 << 70,
)


def repaired(data: bytes) -> bytes:
    """A document with some values put in place of others, chosen by what the data are."""
    generator = random.Random(data)
    return json.dumps(_changed(json.loads(generator.choice(SEEDS)), generator)).encode()


def _changed(value: Any, generator: random.Random) -> Any:
    if generator.random() < 0.02:
        return generator.choice(ODD)
    if isinstance(value, dict):
        return {key: _changed(each, generator) for key, each in value.items() if generator.random() > 0.01}
    if isinstance(value, list):
        return [
            _changed(each, generator) for each in value for _ in range(generator.choice((1, 1, 1, 1, 0, 2)))
        ]
    return value


def decode(data: bytes) -> None:
    """A document is taken or refused, as SBOM or as VEX by what it says that it is."""
    if b'"components"' in data:
        merge_sbom(Bom(), data, "fuzz.json", "team:")
    else:
        read_vex(data, "fuzz.json")
