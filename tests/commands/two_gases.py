"""A small sheet of a site's own, with a recording of it: what the tests of `check SHEET` are about."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

SHEET = """\
sheet = 1
name = "two-gases"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\r\\n", max = 40 }
split = ";"

[[message]]
when = { field = 1, is = "R" }
gives = "result"
fields = 4
number = { field = 2 }
hydrogen = { field = 3, unit = "ppm" }
methane = { field = 4, unit = "ppm" }
"""
RECORDING = """\
# format: stream-recording/1
# stream: 5e1f0a00-0000-4000-8000-0000000000d1
# opened: 2026-11-24T09:00:00.000Z
# port: not said
# line: 9600 8N1
# driver: two-gases
# purpose: training
# made-by: written by hand
0 < R;1;37;<2\\x0D\\x0A
60000 < R;2;41;3\\x0D\\x0A
"""
REFUSED = RECORDING.replace("00d1", "00d2") + "61000 < R;3;4\\x0D\\x0A\n"


def lay(place: Path) -> Path:
    """The sheet in a folder of its own, with one recording beside it."""
    folder = place / "two-gases"
    (folder / "recordings").mkdir(parents=True)
    (folder / "recordings/breath.txt").write_text(RECORDING, encoding="utf-8")
    path = folder / "sheet.toml"
    path.write_text(SHEET, encoding="utf-8")
    return path
