"""`tidewire listen --driver`: what a driver makes of the bytes while they come. Nothing is stored, nothing is sent.

Rules:
- The decoder hears what it would hear in the service: bytes, line errors, and silence when it asks for it.
- What it would answer is told, never written: listening is passive.
- A driver that fails is told by name; a new decoder goes on behind its bytes, as in the service.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from drivers.contract import Noise, Refused, Reply, Span
from drivers.hints import of_frame
from drivers.ruling import ruling
from drivers.telling import KINDS, kind_of, told

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from drivers.contract import Driver, Item

KEPT = 128 * 1024
"""Bytes kept to say where a refused frame broke its rule: more than any frame has (a sheet's `max` is 65536 at most)."""
SHOWN = 48  # bytes of a refused frame or noise that stand in its line

MANY = {"result": "results", "event": "events", "reply": "replies"}


class Trial:
    """A driver that hears a port. `counts`: items by kind, refused ones also by reason; `size`: bytes in each kind."""

    def __init__(self, driver: Driver) -> None:
        self.driver = driver
        self.counts: Counter[str] = Counter()
        self.why: Counter[str] = Counter()
        self.size: Counter[str] = Counter()
        self._at = 0
        self._kept = bytearray()
        self._kept_from = 0
        self._damaged: list[int] = []
        self._given = 0
        self._decoder = driver.new(0)

    @property
    def quiet_after(self) -> float | None:
        """Seconds of silence after which the decoder wants to hear of it."""
        return self._decoder.quiet_after

    def opened(self) -> list[Item]:
        """The port is open; a driver that polls would ask now."""
        return self._heard(self._decoder.opened)

    def feed(self, data: bytes, damaged: Sequence[int]) -> list[Item]:
        """The next bytes."""
        self._forget()
        self._kept += data
        self._damaged += [self._at + each for each in damaged]
        self._at += len(data)
        return self._heard(lambda: self._decoder.feed(data, damaged))

    def quiet(self) -> list[Item]:
        """Silence."""
        return self._heard(self._decoder.quiet)

    def lost(self) -> list[Item]:
        """The stream is over, or bytes may be missing: another decoder goes on."""
        items = self._heard(self._decoder.lost)
        self._anew()
        return items

    def words(self, item: Item) -> str:
        """An item in a line: what it says; of a refused one where and why, and which line of the sheet says so."""
        said = printable(told(item))
        if isinstance(item, Reply):
            return f"{said}, which the driver would send: listening never does"
        where = ", ".join(f"{span.start}-{span.end}" for span in item.spans)
        said = f"{said} (bytes {where})"
        if isinstance(item, Refused):
            return said + self._ruled(item) + self._hint(item) + self._bytes(item)
        return said + self._bytes(item) if isinstance(item, Noise) else said

    def plain(self, item: Item) -> dict[str, Any]:
        """An item for programs."""
        spans = [] if isinstance(item, Reply) else [[span.start, span.end] for span in item.spans]
        found: dict[str, Any] = {"is": kind_of(item), "spans": spans, "words": printable(told(item))}
        return found | {"why": item.why, "rule": item.rule} if isinstance(item, Refused) else found

    def summary(self) -> Iterator[str]:
        """A count by kind, in lines."""
        name = f"{self.driver.name} {self.driver.version}"
        listed = ", ".join(
            f"{n} {MANY.get(kind, kind) if n > 1 else kind}" for kind in KINDS if (n := self.counts[kind])
        )
        yield f"Items by {name}: {listed or 'none'}"
        if self.why:
            yield "Refused because: " + ", ".join(f"{why} {n}" for why, n in self.why.most_common())
        if self.size["noise"]:
            yield f"Noise: {self.size['noise']:,} of {self._at:,} bytes"

    @property
    def recognised(self) -> bool:
        """Whether the driver knew anything of what came."""
        return any(self.counts[kind] for kind in ("result", "event", "progress"))

    def _heard(self, act: Callable[[], Sequence[Item]]) -> list[Item]:
        try:
            items = list(act())
        except Exception as error:  # noqa: BLE001 - a driver in Python may raise anything; the person needs its name
            span = Span(self._given, self._at)
            words = f"driver {self.driver.name} failed on these bytes ({error!r}); mend the driver"
            items = [Refused((span,), "driver-error", words)] if span.end > span.start else []
            self._anew()
        for item in items:
            kind = kind_of(item)
            self.counts[kind] += 1
            if isinstance(item, Refused):
                self.why[item.why] += 1
            if not isinstance(item, Reply):
                self.size[kind] += sum(span.end - span.start for span in item.spans)
                self._given = max(self._given, *(span.end for span in item.spans))
        return items

    def _forget(self) -> None:
        if len(self._kept) > 2 * KEPT:
            self._kept_from = self._at - KEPT
            del self._kept[:-KEPT]
            self._damaged = [each for each in self._damaged if each >= self._kept_from]

    def _anew(self) -> None:
        self._decoder = self.driver.new(self._at)

    def _raw(self, span: Span) -> bytes:
        return bytes(self._kept[max(0, span.start - self._kept_from) : max(0, span.end - self._kept_from)])

    def _ruled(self, item: Refused) -> str:
        hurt = tuple(each for each in self._damaged if any(span.start <= each < span.end for span in item.spans))
        if item.why == "line-error":
            return f"; damaged at byte {', '.join(map(str, hurt))}" if hurt else ""
        if item.why == "driver-error" or any(span.start < self._kept_from for span in item.spans):
            return ""
        parts = [part for span in item.spans for part in self.driver.layout(self._raw(span), span.start)]
        found = ruling(self.driver, item, parts, hurt)
        place = "" if found.at is None else f"; at byte {found.at}"
        return place if found.line is None else f"{place}; the sheet's line {found.line}, {found.key}"

    def _hint(self, item: Refused) -> str:
        """What may be wrong, where one frame alone is refused."""
        (span, *more) = item.spans
        if more or item.why == "driver-error" or span.start < self._kept_from:
            return ""
        found = of_frame(self.driver, item, self._raw(span))
        return f"; hint: {printable(found[0])}" if found else ""

    def _bytes(self, item: Refused | Noise) -> str:
        from drivers.recording import escaped

        data = b"".join(self._raw(Span(span.start, min(span.end, span.start + SHOWN + 1))) for span in item.spans)
        if not data:
            return ""
        return f": {escaped(data[:SHOWN])}{' …' if len(data) > SHOWN else ''}"


def printable(text: str) -> str:
    """A text as a terminal may have it: what an analyser sends must not steer the screen."""
    return "".join(each if each.isprintable() else "?" for each in text)
