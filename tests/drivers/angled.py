"""An invented format: parts of a measurement between `<` and `>`, tied by its number, a check in small hex digits behind it.

<113:h:37:5f>   <113:M:<2:70>   <113:E:0:0f>        the start mark may stand inside
"""

from __future__ import annotations

from functools import reduce
from operator import xor

from drivers.recording import Bytes, Mark

SHEET = r"""
sheet = 1
name = "angled"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", start = "<", end = ">", max = 48 }
split = ":"
sum = { kind = "xor8", until = ":", written = "hex2", letters = "small" }
escapes = { '\c' = ":" }
sentinels = { "--" = "not-measurable" }

[group]
by = "number"
part = { field = 2 }
closes = { is = "E", fields = 3 }
max = 200

[[message]]
when = { field = 2, is = "S" }
gives = "event"
fields = 3
event = { field = 3, map = { warm = "warming-up", go = "ready" } }

[[message]]
gives = "result"
fields = 3
number = { field = 1 }
kind = { part = "k", field = 3, map = { b = "breath", r = "room-air" } }
subject = { part = "i", field = 3 }
hydrogen = { part = "h", field = 3, unit = "ppm" }
methane = { part = "M", field = 3, unit = "ppm" }
oxygen = { part = "O", field = 3, unit = "%" }
"""


def frame(text: str) -> bytes:
    """What stands inside, with marks and check."""
    return f"<{text}:{reduce(xor, text.encode()):02x}>".encode()


def measurement(number: int) -> list[bytes]:
    """The frames of one result."""
    parts = ("k:b", r"i:Ann\cLi", "h:37", "M:<2", "O:16.4", "E:0")
    return [frame(f"{number}:{part}") for part in parts]


def entries(*frames: bytes) -> list[Bytes | Mark]:
    """Frames 50 ms apart, and silence at the end."""
    return [*(Bytes(50 * n, each) for n, each in enumerate(frames)), Mark(50 * len(frames) + 9000, "quiet")]
