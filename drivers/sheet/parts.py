"""A message whose frames are parts of a group, as one message a part; and what a sheet may not say about groups.

    [group]                                             0412 H2 37
    by = "number"                                       0412 O2 16.4
    part = { field = 2 }                                0412 .
    closes = { is = ".", fields = 2 }
    max = 400

    hydrogen = { part = "H2", field = 3, unit = "ppm" }

Rules of the room:
- Every part carries the number, and every other text stands in one part. So nothing is read from two frames.
- A part is a message of its own, known by the text at `part`: its frame is cut, checked, refused and laid out as any.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from drivers.contract import GASES
from drivers.framing.base import shown
from drivers.sheet.framed import ByGap
from drivers.sheet.places import When

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.sheet.model import Group, Message, Sheet
    from drivers.tomltext import Path

    Said: TypeAlias = tuple[Path, str]

MOST_HELD = 65536
"""No group and no frame behind it hold more together."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """One message as frames carry it: `table` says which `[[message]]` it stands in, `when` where its `when` stands.

    `part`: the part it is, if it is one.
    """

    table: int
    message: Message
    when: Path
    part: str | None = None


def spoken(sheet: Sheet) -> list[Spoken]:
    """The messages of a loaded sheet, one for each part where they are parts; the part that closes comes last."""
    found: list[Spoken] = []
    group = sheet.group
    for n, message in enumerate(sheet.messages):
        if group is None or not message.parts:
            found.append(Spoken(n, message, ("message", n, "when")))
            continue
        parts = zip(message.parts, frames_of(sheet, message), strict=True)
        found += [Spoken(n, each, ("group", "part"), part) for part, each in parts]
    last = next((each for each in found if each.part is not None), None)
    if group is not None and group.closes is not None and last is not None:
        message = _one(sheet.messages[last.table], group, group.closes.text)
        message = message.model_copy(update={"fields": group.closes.fields})
        found.append(Spoken(last.table, message, ("group", "closes"), group.closes.text))
    return found


def frames_of(sheet: Sheet, message: Message) -> list[Message]:
    """A message as it is, or one for each of its parts, known by its part."""
    if sheet.group is None or not message.parts or message.gives != "result":
        return [message]
    return [_one(message, sheet.group, part) for part in message.parts]


def _known_by(group: Group, part: str) -> When:
    said = group.part.model_dump(by_alias=True, exclude_none=True)
    return When.model_validate({**said, "is": part})


def _one(message: Message, group: Group, part: str) -> Message:
    """The message of one part: the number, and what stands in that part."""
    update: dict[str, object] = {"when": _known_by(group, part)}
    for name in ("clock", "kind", "subject", *GASES, "oxygen"):
        place = getattr(message, name)
        always = name == "kind" and place is not None and place.always is not None
        if place is not None and place.part != part and not always:
            update[name] = None
    update["other"] = {name: each for name, each in message.other.items() if each.part == part}
    return message.model_copy(update=update)


def misgrouped(sheet: Sheet) -> Iterator[Said]:
    """Everything about groups that cannot be; each key's path, and what is wrong with the cure."""
    group = sheet.group
    grouped = [(n, message) for n, message in enumerate(sheet.messages) if message.parts]
    for n, message in grouped:
        if message.gives != "result":
            what = f"only a result comes in parts, this message gives {message.gives}; take part out"
            yield (*_first(n, message), "part"), what
    grouped = [(n, message) for n, message in grouped if message.gives == "result"]
    if group is None:
        for n, message in grouped:
            yield (*_first(n, message), "part"), "needs a group; add [group] with by, part and max, or take part out"
    elif not grouped:
        example = 'hydrogen = { part = "H2", field = 3, unit = "ppm" }'
        yield ("group",), f"no message has parts; name them, for example {example}"
    else:
        for n, message in grouped:
            yield from _message(("message", n), message)
            yield from _closing(group, sheet, message)
        yield from _between(group, sheet, grouped)
        yield from _limits(group, sheet)


def _first(n: int, message: Message) -> Path:
    """The path of the first place that names a part."""
    return ("message", n, *next(name for name, place in message.places() if place.part))


def _message(path: Path, message: Message) -> Iterator[Said]:
    if message.when is not None:
        yield (*path, "when"), "this message is known by its parts; take when out"
    if message.demands:
        yield (*path, "demands"), "stands in no part; take demands out, or say it of a message of one frame"
    if message.number is None:
        yield path, "its parts are tied together by their number; add for example number = { field = 1 }"
    for name, place in message.places():
        if name == ("number",):
            for key in ("part", "optional"):
                if getattr(place, key):
                    yield (*path, *name, key), f"every part carries the number; take {key} out"
        elif place.part is None:
            yield (*path, *name), 'stands in one part of the group; add part = "..." with the text that names it'


def _closing(group: Group, sheet: Sheet, message: Message) -> Iterator[Said]:
    """The part that closes has fields where the others have."""
    closes = group.closes
    if closes is None:
        return
    split = message.split or (None if message.label or message.width else sheet.split)
    have = f" (they have fields = {message.fields})" if message.fields else ""
    if split and closes.fields is None:
        yield (
            ("group", "closes"),
            f'is cut at "{split}" as the other parts are{have}; add fields = N, how many it has itself',
        )
    if not split and closes.fields is not None:
        yield ("group", "closes", "fields"), "counts what split cuts, and the parts have none; take it out"
    places = {"part": group.part, "number": message.number}
    for name, place in places.items():
        if place is not None and (closes.fields or 999) < (place.field or 0) <= (message.fields or 0):
            yield ("group", "closes", "fields"), f"{name} stands in field {place.field}; write {place.field} or more"


def _between(group: Group, sheet: Sheet, grouped: list[tuple[int, Message]]) -> Iterator[Said]:
    """Each part has one message and one meaning, and can be told from every other message."""
    closes = [] if group.closes is None else [group.closes.text]
    met: dict[str, int] = {}
    read: set[tuple[str, ...]] = set()
    for n, message in grouped:
        for name, place in message.places():
            path: Path = ("message", n, *name)
            if name != ("number",) and name in read:
                yield path, "is read by another message too; a quantity or text of a group stands in one part"
            read.add(name)
            if place.part is None:
                continue
            if met.setdefault(place.part, n) != n:
                yield (*path, "part"), f'part "{place.part}" is described by another message too; name each part in one'
            if place.part in closes:
                yield (*path, "part"), "is the part that closes a group, which carries nothing; name another part"
            yield from _fits(group, (*path, "part"), place.part, message.split or sheet.split, sheet.padding)
    yield from _kinds(grouped)
    yield from _told_apart(group, sheet, (*met, *closes))
    if not any(message.gases or message.oxygen for _, message in grouped):
        yield ("group",), 'gives a result without any gas; add for example hydrogen = { part = "H2", ... }'


def _kinds(grouped: list[tuple[int, Message]]) -> Iterator[Said]:
    """A group has one kind: two messages that say it apart would contradict each other."""
    said = [(n, message.kind) for n, message in grouped if message.kind is not None]
    for n, kind in said[1:]:
        if kind.always != said[0][1].always:
            what = f"message {said[0][0] + 1} says the kind of this group already; take kind out of one of the two"
            yield ("message", n, "kind"), what


def _told_apart(group: Group, sheet: Sheet, parts: tuple[str, ...]) -> Iterator[Said]:
    """A part is no other message, and there are several."""
    known = {(each.when.key, each.when.text) for each in sheet.messages if each.when is not None}
    for part in parts:
        if (group.part.key, part) in known:
            yield (
                ("group", "part"),
                f'"{part}" at this place is another message already; write another place or text for one of them',
            )
    if len(parts) < 2:
        yield ("group",), "has one part only; a message of one frame needs no group, take [group] and part out"


def _fits(group: Group, path: Path, text: str, split: str | None, padding: str | None) -> Iterator[Said]:
    """The text that names a part can stand at its place."""
    place = group.part
    if place.field and split and split in text:
        yield path, f"texts are cut at {shown(split.encode('ascii'))}, it never stands in one; write what stands there"
    blank = " " if place.span else padding
    if blank and text != text.strip(blank):
        yield path, f'padding "{blank}" is taken off before a text is looked at; write "{text.strip(blank)}"'
    if place.span and len(text) > place.span[1] - place.span[0] + 1:
        yield path, f"the part stands in columns {place.span[0]} to {place.span[1]}, this text is longer; write less"


def _limits(group: Group, sheet: Sheet) -> Iterator[Said]:
    """A group is longer than a frame, in bytes and in silence."""
    frame = sheet.frame
    if group.longest <= frame.longest:
        what = f"a frame alone may have {frame.longest} bytes; write the bytes of a whole group and what comes between"
        yield ("group", "max"), what
    if group.longest + frame.longest > MOST_HELD:
        what = f"a group and a frame behind it would hold too much; write at most {MOST_HELD - frame.longest}"
        yield ("group", "max"), what
    if isinstance(frame, ByGap) and group.quiet_s <= frame.quiet_s:
        what = f"the silence that ends a frame would end its group; write more than {frame.quiet_s:g}"
        yield ("group", "quiet_s"), what
