"""What may be wrong with a sheet, or with a frame that it refuses: hints for whoever writes it, never a reading.

Rules of the room:
- Pure. A hint is never used to accept a frame; it says what the sheet would have to say.
- A check that fits in another way is told of one frame only where one key makes it fit, of many only where most fit: an
  8-bit check fits one frame in 256 by chance.
- A driver whose source is no sheet has no hints.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING

from drivers.framing import Frame
from drivers.integrity import CHECKS
from drivers.sheet.compile import framer_of
from drivers.sheet.decoder import cutting_of
from drivers.sheet.fields import readable
from drivers.sheet.loader import SheetError, load
from drivers.sheet.parts import spoken
from drivers.sheet.sums import check_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivers.contract import Driver, Refused
    from drivers.sheet.fields import Places
    from drivers.sheet.model import Message, Sheet
    from drivers.sheet.parts import Spoken
    from drivers.sheet.places import When
    from drivers.sheet.sums import FrameCheck

LONGEST = 20
"""Characters of a text of the frame that a hint shows."""
MOST_KNOWN = 12
"""Words of the sheet that a hint lists."""
MOST_OF = 0.6
"""Of the frames whose check does not agree, so many must fit in another way."""
MOST_FRAMES = 40
"""Frames that are tried; the others are like them."""
MOST_CHANGES = 3


@dataclass(frozen=True, slots=True)
class _Variant:
    """Another way to make the check: what the sheet would say, and the check."""

    said: tuple[str, ...]
    check: FrameCheck


def of_frame(driver: Driver, item: Refused, frame: bytes) -> list[str]:
    """Hints on one refused frame, whose bytes are `frame`; none where nothing more can be said than its rule."""
    sheet = _sheet(driver.source)
    if sheet is None:
        return []
    if item.why == "bad-checksum":
        return _of_check(sheet, frame)
    if item.why in ("bad-field", "unknown-message"):
        return list(_of_messages(sheet, item, frame))
    return []


def of_checks(driver: Driver, frames: Sequence[bytes]) -> str | None:
    """How the checks of most of these frames, which do not agree, would; None where no way is known."""
    sheet = _sheet(driver.source)
    if sheet is None or len(frames) < 2:
        return None
    tried = frames[:MOST_FRAMES]
    best: tuple[int, _Variant] | None = None
    for variant in _variants(sheet, MOST_CHANGES):
        fits = sum(_fits(sheet, variant, each) for each in tried)
        if fits > 1 and fits >= MOST_OF * len(tried) and (best is None or fits > best[0]):
            best = fits, variant
    if best is None:
        return None
    of = f"{best[0]} of {len(tried)}" + (" that were tried" if len(frames) > len(tried) else "")
    return f"the checks of {of} would agree with {_joined(best[1])}"


@lru_cache(maxsize=4)
def _sheet(source: str) -> Sheet | None:
    try:
        return load(source, "sheet")[0]
    except SheetError:
        return None


def _payload(sheet: Sheet, frame: bytes) -> bytes | None:
    """What stands inside the marks of one frame; None where it is none."""
    framer = framer_of(sheet)(0)
    pieces = [*framer.feed(frame), *framer.quiet()]
    return next((each.payload for each in pieces if isinstance(each, Frame)), None)


def _of_check(sheet: Sheet, frame: bytes) -> list[str]:
    check, payload = check_of(sheet), _payload(sheet, frame)
    if check is None or payload is None:
        return []
    if check.cut(payload) is None:
        return [f'no "{readable(check.until)}" stands in it'] if check.until else ["it is shorter than its check"]
    found = [each for each in _variants(sheet, 1) if _fits(sheet, each, frame)]
    chance = " (one frame alone may fit by chance)" if check.size < 4 else ""
    return [f"the check would agree with {_joined(each)}{chance}" for each in found]


def _variants(sheet: Sheet, changes: int) -> Iterator[_Variant]:
    """The check of a sheet in other ways, those with the fewest changes first."""
    check, said = check_of(sheet), sheet.check
    if check is None or said is None:
        return
    mark = (getattr(sheet.frame, "start", None) or "").encode("ascii")
    starts = [check.start, *({b"", mark} - {check.start})]
    untils = [check.with_until, not check.with_until] if check.until else [False]
    smalls = [check.small] if check.decimal else [check.small, not check.small]
    lows = [check.low_first, not check.low_first] if check.size >= 4 and not check.decimal else [check.low_first]
    kinds = [
        check.check,
        *(each for each in CHECKS.values() if each.width == check.check.width and each != check.check),
    ]
    found: list[_Variant] = []
    for kind, start, until, small, low in product(kinds, starts, untils, smalls, lows):
        words: list[str] = []
        if kind is not check.check:
            words.append(f'kind = "{kind.name}"')
        if (start, until) != (check.start, check.with_until):
            covered = [f'"{name}"' for name, given in (("start", start), ("until", until)) if given]
            words.append(f"covers = [{', '.join(covered)}]")
        words += [f'letters = "{"small" if small else "capital"}"'] if small != check.small else []
        words += [f'first = "{"low" if low else "high"}"'] if low != check.low_first else []
        if 0 < len(words) <= changes:
            made = replace(check, check=kind, start=start, with_until=until, small=small, low_first=low)
            found.append(_Variant(tuple(words), made))
    yield from sorted(found, key=lambda each: len(each.said))


def _fits(sheet: Sheet, variant: _Variant, frame: bytes) -> bool:
    payload = _payload(sheet, frame)
    return payload is not None and variant.check.body(payload)[0] is not None


def _joined(variant: _Variant) -> str:
    return " and ".join(variant.said)


def _of_messages(sheet: Sheet, item: Refused, frame: bytes) -> Iterator[str]:
    """What tells messages apart and does not fit, or the message that was meant, as far as one can see."""
    body, check = _payload(sheet, frame), check_of(sheet)
    if check is not None and body is not None:
        body = check.body(body)[0]
    known: dict[tuple[str, str | None], list[str]] = {}
    near: list[str] = []
    for each in spoken(sheet) if body is not None else ():
        when = each.message.when
        if when is None or body is None:
            continue
        places = cutting_of(sheet, each.message).cut(body)
        text = _text_of(when, places, body)
        if _is(when, text) or (isinstance(places, str) and _begins_like(when, body)):
            if not isinstance(places, str) or places == item.rule:
                yield from _of_event(each.message, item)  # it is this message, and its own rule that it broke
                return
            yield f"it looks like {_called(each)}: {places}"
            return
        if isinstance(places, str) and text is None:
            continue
        known.setdefault((when.words, text), []).append("anything" if when.text is None else f'"{when.text}"')
        if each.message.fields == len(places) and item.why == "bad-field" and not each.part:
            many = "1 field" if each.message.fields == 1 else f"{each.message.fields} fields"
            near.append(f"it has {many}, as {_called(each)} has")
    yield from near[:1]
    yield from (_told(words, text, told) for (words, text), told in known.items())


def _text_of(when: When, places: Places | str, body: bytes) -> str | None:
    """What stands where a message says by which text it is known; None where that place is not there."""
    if not isinstance(places, str):
        place = places.get(when.key)
        return None if place is None else readable(body[place[0] : place[1]])
    return None if when.span is None else readable(body[when.span[0] - 1 : when.span[1]].strip())


def _is(when: When, text: str | None) -> bool:
    return text is not None and when.text in (None, text)


def _told(words: str, text: str | None, known: Sequence[str]) -> str:
    more = f" and {len(known) - MOST_KNOWN} more" if len(known) > MOST_KNOWN else ""
    listed = ", ".join(known[:MOST_KNOWN]) + more
    if text is None:
        return f"{words} is not there; the sheet knows it as {listed}"
    shown = text if len(text) <= LONGEST else f"{text[:LONGEST]}…"
    return f'{words} is "{shown}"; the sheet knows {listed}'


def _of_event(message: Message, item: Refused) -> Iterator[str]:
    """The words that the place of an event may have, where it is that place which has another."""
    event = message.event
    if event is not None and event.meaning and "names no event" in item.rule:
        yield f"{event.words} may be {', '.join(list(event.meaning)[:MOST_KNOWN])}"


def _begins_like(when: When, body: bytes) -> bool:
    """Whether the text by which a message is known stands anywhere in a body that does not come apart as it does."""
    return when.span is None and when.text is not None and when.text.encode("utf-8") in body


def _called(said: Spoken) -> str:
    return f"message {said.table + 1}"
