"""Replacements for ``small_device.layout`` that several tests make: ``layout(NO_RECORD)``."""

from __future__ import annotations

NO_RECORD = {'[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n': ""}
"""No record, so that an image alone tells less."""

COPIED = {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"'}
"""The sampler is copied to RAM and runs there, at 0x3000_3400 as it sees it."""

ALSO_SPARE = {
    'stored_in = "station-code"': 'stored_in = "station-code"\nalso_stored_in = ["spare"]',
    'size = "2 KiB", purpose = "reserved"': 'size = "2 KiB", purpose = "data"',
}
"""The station has bytes in the area ``spare`` as well, at 0x1000_2000."""

WITH_BOOT = {
    'size = "2 KiB", purpose = "reserved"': 'size = "1 KiB", purpose = "code"',
    "[contract.link]": '[build.boot]\ncore = "station"\nstored_in = "spare"\n\n[contract.link]',
}
"""A second build of the station's core, ``boot``, in the area ``spare``."""

ONE_BUILD = {'[build.sampler]\ncore = "sampler"\nstored_in = "sampler-code"\n': ""}
"""No sampler."""

SEEN_ELSEWHERE = {"write_unit = 8\n": "write_unit = 8\nviews = { sampler = 0x0000_0000 }\n"}
"""The sampler sees flash at address 0."""
