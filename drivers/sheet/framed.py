"""How a sheet says that frames are cut out of the bytes: one table for each framing."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator

from drivers.framing import LEAST_QUIET_S
from drivers.sheet.tables import Ascii, Table, key

_BY = (
    "`line`: frames end; `between`: frames begin and end; `fixed`: all have one length; "
    "`gap`: silence ends them; `counted`: each says its length"
)
_START = (
    "the mark that begins a frame; `between` and `counted` need it, `line` and `fixed` may have it; it never stands inside a "
    "frame, but with `line` it may"
)
_END = "the mark that ends a frame; `line` and `between` need it, `fixed` and `counted` may have it at its place"
_MAX = "most bytes of a frame, marks included; `fixed` has `length` instead"
_QUIET = "seconds of silence after which an unfinished frame is given up; `gap` needs it: there it ends the frame"


def silence(seconds: float) -> float:
    """The seconds, if a silence of that length can be seen. Raises ValueError with the cure."""
    if not LEAST_QUIET_S <= seconds <= 3600:
        raise ValueError(f"write {LEAST_QUIET_S} to 3600 seconds: a USB adapter hides a shorter silence")
    return seconds


class Framed(Table):
    """What all framings have."""

    quiet_s: Annotated[float, AfterValidator(silence)] = key(2.0, _QUIET, "quiet_s = 3")


class ByLine(Framed):
    """`by = "line"`."""

    by: Literal["line"] = key(..., _BY, 'by = "line"')
    start: Ascii | None = key(None, _START, r'start = "\u0002"')
    end: Ascii = key(..., _END, r'end = "\r\n"')
    longest: int = key(..., _MAX, "max = 96", alias="max", ge=4, le=65536)


class ByBetween(Framed):
    """`by = "between"`."""

    by: Literal["between"] = key(..., _BY, 'by = "between"')
    start: Ascii = key(..., _START, r'start = "\u0002"')
    end: Ascii = key(..., _END, r'end = "\r\n"')
    longest: int = key(..., _MAX, "max = 96", alias="max", ge=4, le=65536)


class ByFixed(Framed):
    """`by = "fixed"`."""

    by: Literal["fixed"] = key(..., _BY, 'by = "fixed"')
    start: Ascii | None = key(None, _START, r'start = "\u0002"')
    end: Ascii | None = key(None, _END, r'end = "\r\n"')
    longest: int = key(
        ..., 'bytes of every frame, marks included; with `by = "fixed"`', "length = 48", alias="length", ge=4, le=65536
    )


class ByGap(Framed):
    """`by = "gap"`."""

    by: Literal["gap"] = key(..., _BY, 'by = "gap"')
    longest: int = key(..., _MAX, "max = 96", alias="max", ge=4, le=65536)
    quiet_s: Annotated[float, AfterValidator(silence)] = key(..., _QUIET, "quiet_s = 0.2")


class ByCounted(Framed):
    """`by = "counted"`."""

    by: Literal["counted"] = key(..., _BY, 'by = "counted"')
    start: Ascii = key(..., _START, r'start = "\u0002"')
    end: Ascii | None = key(None, _END, r'end = "\r\n"')
    longest: int = key(..., _MAX, "max = 96", alias="max", ge=4, le=65536)
    count_at: int = key(
        ...,
        'the byte of the frame at which the count begins, from 1; with `by = "counted"`',
        "count_at = 2",
        ge=2,
        le=999,
    )
    count_digits: int = key(..., "how many digits the count has, filled up with zeros", "count_digits = 4", ge=1, le=9)
    count_adds: int = key(
        ..., "bytes of the frame that the count leaves out; `0`: it counts all", "count_adds = 5", ge=0, le=65536
    )
