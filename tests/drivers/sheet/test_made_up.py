"""Formats made up to try the manual on: each told a first sheet what it could not say, and can be said now."""

from __future__ import annotations

import pytest

from drivers.hearing import play
from drivers.recording import Bytes
from drivers.sheet.compile import compile_sheet
from drivers.telling import told

HEAD = """sheet = 1
name = "made-up"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
"""

# The names of the values stand in their fields, beside fields without names.
NAMED_FIELDS = r"""frame = { by = "between", start = "\u0002", end = "\u0003", max = 100 }
split = "|"
decimal = ","
sentinels = { "OL" = "above" }
[[message]]
when = { field = 1, is = "M" }
gives = "result"
fields = 7
number = { field = 2 }
clock = { field = 3, time_at = { field = 4 }, as = "DD.MM.YY hh:mm" }
hydrogen = { field = 5, prefix = "H2 ", unit = "ppm" }
methane = { field = 6, prefix = "CH4 ", unit = "ppm" }
oxygen = { field = 7, prefix = "O2 ", unit = "%" }
[[message]]
when = { field = 1, is = "W" }
gives = "event"
fields = 2
event = { always = "warming-up" }
detail = { left = { field = 2 } }
"""

# A slip as a printer has it: a label, blanks up to the value, the unit written onto it; an empty line ends it.
SLIP = r"""frame = { by = "line", end = "\r\n\r\n", max = 120 }
label = " "
lines = "\r\n"
padding = " "
sentinels = { "OVER" = "above" }
[[message]]
gives = "result"
number = { label = "RESULT" }
hydrogen = { label = "H2", unit = "ppm", unit_from = "frame", unit_gap = "" }
methane = { label = "CH4", unit = "ppm", unit_from = "frame", unit_gap = "" }
oxygen = { label = "O2", unit = "%", unit_from = "frame", unit_gap = "" }
"""

# A table with its heading, date and time in two columns of it.
TABLE = r"""frame = { by = "line", end = "\r\n", max = 80 }
split = ","
sentinels = { ERR = "not-measurable" }
[[message]]
when = { field = 1, is = "ID" }
gives = "noise"
fields = 7
[[message]]
when = { field = 1, is = "# idle" }
gives = "event"
fields = 1
event = { always = "ready" }
[[message]]
gives = "result"
fields = 7
number = { field = 1 }
clock = { field = 2, time_at = { field = 3 }, as = "YYYY-MM-DD hh:mm" }
kind = { field = 4, map = { PT = "breath", CAL = "calibration-gas" } }
hydrogen = { field = 5, unit = "ppm" }
methane = { field = 6, unit = "ppm" }
carbon_dioxide = { field = 7, unit = "%" }
"""


@pytest.mark.parametrize(
    ("sheet", "data", "said"),
    [
        (
            NAMED_FIELDS,
            b"\x02M|17|24.11.26|10:31|H2 37|CH4 <2|O2 16,4\x03\x02M|18|24.11.26|10:46|H2 OL|CH4 12|O2 15,2\x03\x02W|120 s\x03",
            [
                (
                    "result 17, kind unknown, 2026-11-24 10:31:00: hydrogen 37 ppm, methane <2 ppm (below range), oxygen 16.4 %; "
                    "no check"
                ),
                "result 18, kind unknown, 2026-11-24 10:46:00: hydrogen above range, methane 12 ppm, oxygen 15.2 %; no check",
                "event warming-up: left 120 s",
            ],
        ),
        (
            SLIP,
            b"RESULT 17\r\nH2     37ppm\r\nCH4    <2ppm\r\nO2   16.4%\r\n\r\nRESULT 18\r\nH2  OVER\r\nCH4  12ppm\r\nO2 15.2%\r\n\r\n",
            [
                "result 17, kind unknown: hydrogen 37 ppm, methane <2 ppm (below range), oxygen 16.4 %; no check",
                "result 18, kind unknown: hydrogen above range, methane 12 ppm, oxygen 15.2 %; no check",
            ],
        ),
        (
            TABLE,
            b"ID,DATE,TIME,TYPE,H2,CH4,CO2\r\n0017,2026-11-24,10:31,PT,37,2,4.1\r\n0019,2026-11-24,10:50,CAL,51,ERR,0.0\r\n# idle\r\n",
            [
                "noise: a message that the sheet says to ignore",
                "result 0017, breath, 2026-11-24 10:31:00: hydrogen 37 ppm, methane 2 ppm, carbon dioxide 4.1 %; no check",
                (
                    "result 0019, calibration gas, 2026-11-24 10:50:00: hydrogen 51 ppm, methane not measurable, "
                    "carbon dioxide 0.0 %; no check"
                ),
                "event ready",
            ],
        ),
    ],
)
def test_a_made_up_format_is_read_by_a_sheet_of_25_lines_at_most(sheet: str, data: bytes, said: list[str]) -> None:
    whole = HEAD + sheet
    assert len(whole.splitlines()) <= 25
    assert [told(item) for item in play(compile_sheet(whole, "made-up.toml"), [Bytes(0, data)])] == said
