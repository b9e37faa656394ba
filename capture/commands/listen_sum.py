"""What `tidewire listen` says at its end: bytes, silences, line errors, a plain guess, items by kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.commands.common import counted
from capture.commands.listen_rows import clock, gap, seconds
from drivers.guess import guess

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.commands.listen_live import Listening

LONG_S = 120


def lines(heard: Listening) -> Iterator[str]:
    """The summary for people."""
    zone = heard.screen.zone
    begun, over = (each.utc.astimezone(zone) for each in (heard.opened.heard, heard.last))
    line = f" ({heard.opened.line})" if heard.opened.line else ""
    passed = gap(heard.opened.heard, heard.last) or 0
    yield f"Heard {counted(heard.size, 'byte')} in {_time(passed)} on {heard.port.address}{line}"
    yield f"From {begun:%Y-%m-%d %H:%M:%S} to {over:%Y-%m-%d %H:%M:%S %Z}"
    yield f"Bytes with a line error: {heard.errors or 'none'}"
    if heard.missing:
        yield f"Bytes may be missing at {counted(heard.missing, 'place')}"
    if heard.gaps:
        longest = ", ".join(
            f"{seconds(ms)} s before byte {at} at {clock(when, zone)}" for ms, at, when in heard.longest()
        )
        yield f"Longest silences: {longest}"
    if heard.trial is not None:
        yield from heard.trial.summary()
    if not heard.size and heard.opened.line is not None and not heard.opened.recorded:
        yield "Nothing came: is the analyser on and does it send by itself? Is its cable the right one, straight or crossed?"
        return
    found = guess(heard.sample.bursts())
    kept = len(b"".join(each.data for each in heard.sample.bursts()))
    yield "A guess" + (f", from the last {kept:,} bytes:" if kept < heard.size else ", from these bytes alone:")
    yield from (f"  {words}" for words in found.words)
    if found.sheet and heard.trial is None:
        yield "A sheet could begin with:"
        yield from (f"  {text}" for text in found.sheet)


def plain(heard: Listening) -> dict[str, Any]:
    """The summary for programs."""
    found = guess(heard.sample.bursts())
    trial = heard.trial
    return {
        "is": "summary",
        "port": heard.port.address,
        "line": heard.opened.line,
        "bytes": heard.size,
        "ms": gap(heard.opened.heard, heard.last) or 0,
        "line_errors": heard.errors,
        "missing": heard.missing,
        "longest_silences": [{"ms": ms, "offset": at} for ms, at, _ in heard.longest()],
        "guess": list(found.words),
        "sheet": list(found.sheet),
        "items": None if trial is None else dict(trial.counts),
        "refused": None if trial is None else dict(trial.why),
        "ended": None if heard.ended is None else {"why": heard.ended.why, "words": heard.ended.words},
    }


def _time(ms: int) -> str:
    if ms < LONG_S * 1000:
        return f"{seconds(ms)} s"
    minutes, rest = divmod(ms // 1000, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {rest:02} s"
