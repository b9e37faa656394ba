r"""The text form of a recording: one stream, with everything needed to hear it again. Pure: text in, text out.

    # format: stream-recording/1
    # stream: 7b0c3f0e-6f0e-4c53-9b53-0f4f6a1f2a11
    # opened: 2026-11-24T09:30:00.000Z
    # port: usb:1-1.2
    # line: 9600 8N1
    # driver: delimited-line
    # purpose: training
    # made-by: written by hand
    0 < STA;WARM;0120\x0D\x0A
    90412 quiet

Each line below the header is one entry: milliseconds since the stream was opened, a word, and what belongs to it.

    ms < bytes           received            ms quiet    silence: the decoder was told here
    ms > bytes           sent                ms lost     the port went away
    ms line-error N      the byte at stream  ms missing  bytes may be missing here
                         offset N, in the    ms end      the source was used up
                         next `<` line, is damaged

Rules of the room:
- Printable ASCII stands for itself; a backslash, any other byte, and a blank at either end are written `\xNN`.
- A byte string is always written in the same way, and times never run backwards.
- Lines end with LF. A whole recording that an editor saved with CR LF is read as well.
- Every error names the line and the cure.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal, TypeAlias, cast, get_args
from uuid import UUID

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

FORMAT = "stream-recording/1"
_BEGIN = "# format: "
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")  # how a text begins that an editor saved in it
LONGEST = 4096
"""Most bytes in one line; longer ones are written as several lines of the same time."""

MarkKind = Literal["quiet", "lost", "missing", "end"]
Purpose = Literal["production", "training"]
_MARKS: tuple[str, ...] = get_args(MarkKind)
_PURPOSES: tuple[str, ...] = get_args(Purpose)


class RecordingError(ValueError):
    """The text is no recording, or not a whole one; `str()` is one line with line number and cure."""


@dataclass(frozen=True, slots=True)
class Bytes:
    """Bytes received `ms` after the stream was opened; `damaged`: offsets in `data`, ascending."""

    ms: int
    data: bytes
    damaged: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Sent:
    """Bytes sent to the analyser."""

    ms: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened between bytes."""

    ms: int
    kind: MarkKind


Entry: TypeAlias = Bytes | Sent | Mark


@dataclass(frozen=True, slots=True)
class Header:
    """What is fixed when a stream opens. `opened` is UTC, whole milliseconds; `line` None: no line settings."""

    stream: UUID
    opened: datetime
    port: str
    line: str | None
    driver: str
    purpose: Purpose
    made_by: str
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Recording:
    """One recorded stream."""

    header: Header
    entries: Sequence[Entry]


def write(header: Header, entries: Iterable[Entry]) -> str:
    """A whole recording as text. Raises RecordingError where the entries are out of order."""
    opened = header.opened.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    rows = {
        "format": FORMAT,
        "stream": str(header.stream),
        "opened": opened,
        "port": header.port,
        "line": header.line or "none",
        "driver": header.driver,
        "purpose": header.purpose,
        "made-by": header.made_by,
        **header.extra,
    }
    taken = _OWN.intersection(header.extra)
    if taken:
        raise RecordingError(f"header {min(taken)!r} is a key of the format itself; name the extra key differently")
    for key, value in rows.items():
        if not (_fits(key) and _fits(value)) or ":" in key:
            raise RecordingError(f"header {key!r}: {value!r} does not fit on one line; write printable text")
    return "".join(f"# {key}: {value}\n" for key, value in rows.items()) + write_entries(entries)


def write_entries(entries: Iterable[Entry], at: int = 0) -> str:
    """Entries as lines. `at`: stream offset of the first byte. Raises RecordingError where times run backwards."""
    lines: list[str] = []
    before = 0
    for entry in entries:
        ms = entry.ms
        if ms < before:
            raise RecordingError(f"an entry at {ms} ms follows one at {before} ms; write entries in order of time")
        before = ms
        if isinstance(entry, Mark):
            lines.append(f"{ms} {entry.kind}\n")
            continue
        word = "<" if isinstance(entry, Bytes) else ">"
        damaged = entry.damaged if isinstance(entry, Bytes) else ()
        data = entry.data
        for begin in range(0, len(data), LONGEST):
            end = begin + LONGEST
            if damaged:
                lines += [f"{ms} line-error {at + each}\n" for each in damaged if begin <= each < end]
            lines.append(f"{ms} {word} {escaped(data[begin:end])}\n")
        if isinstance(entry, Bytes):
            at += len(data)
    return "".join(lines)


def parse(text: str) -> Recording:
    """Read a whole recording. Raises RecordingError."""
    if text.startswith("\ufeff"):
        raise RecordingError("line 1: begins with a byte order mark (BOM); save the recording as UTF-8 without it")
    text = text.replace("\r\n", "\n")  # an editor's or a mail program's: a CR of the stream is written as \x0D
    if not text.startswith(f"# format: {FORMAT}\n"):
        raise _none(text)
    rows: dict[str, str] = {}
    at = 0
    while text.startswith("#", at):
        end = text.find("\n", at)
        number = len(rows) + 1
        if end < 0:
            raise RecordingError(f"line {number}: the recording ends in the middle of a line; record it again")
        key, colon, value = text[at + 1 : end].partition(":")
        if not colon or not key.strip() or key.strip() in rows:
            raise RecordingError(f'line {number}: a header line is "# key: value", each key once')
        rows[key.strip()] = value.strip()
        at = end + 1
    if text.startswith("\n", at):
        raise RecordingError(f"line {len(rows) + 1}: is empty, and the header ends with it; take that line out")
    return Recording(_header(rows), parse_entries(text[at:], len(rows) + 1))


def decode(data: bytes) -> Recording:
    """Read a whole recording from the bytes of its file. Raises RecordingError."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        if not data.startswith((_BEGIN.encode(), *_UTF_16)):
            raise _none(data.decode("ascii", "replace").replace("\ufffd", "?")) from None
        line = data.count(b"\n", 0, error.start) + 1
        raise RecordingError(f"line {line}: not UTF-8 text, so no recording; record the stream again") from None
    return parse(text)


def _none(text: str) -> RecordingError:
    """What to say of a text that is no recording: a log of bare bytes is made one by `listen`."""
    first = _safe(text.partition("\n")[0][:60].rstrip("\r"))
    if text.startswith(_BEGIN):
        return RecordingError(f'line 1: "{first}" is no recording; its first line must be "# format: {FORMAT}"')
    return RecordingError(
        f'line 1: "{first}" is no recording; for bare bytes: tidewire listen stdin --to NEW < FILE makes one'
    )


def parse_entries(text: str, first_line: int = 1, at: int = 0) -> list[Entry]:
    """Read entry lines. `first_line`: number of the first in its file; `at`: stream offset of the first byte.

    Raises RecordingError.
    """
    lines = text.split("\n")
    if lines.pop():
        number = first_line + len(lines)
        raise RecordingError(f"line {number}: the recording ends in the middle of a line; take that line out")
    reader = _Reader(at)
    for number, line in enumerate(lines, first_line):
        try:
            reader.take(line)
        except RecordingError as error:
            raise RecordingError(f"line {number}: {error}") from None
    if reader.damaged:
        raise RecordingError(f"line {first_line + len(lines) - 1}: line-error without a < line after it; add that line")
    return reader.entries


class _Reader:
    """Reads entry lines one after the other."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.ms = 0
        self.damaged: list[int] = []
        self.entries: list[Entry] = []

    def take(self, line: str) -> None:
        time, _, rest = line.partition(" ")
        word, _, text = rest.partition(" ")
        ms = _number(time)
        if ms is None:
            raise RecordingError(f'"{_safe(line[:40])}" begins with no time; write whole milliseconds, a blank, a word')
        if ms < self.ms:
            raise RecordingError(f"time runs backwards from {self.ms} to {ms} ms; put the lines in order")
        self.ms = ms
        if word == "<":
            data = unescaped(text)
            self.entries.append(Bytes(ms, data, self._hurt(len(data)) if self.damaged else ()))
            self.at += len(data)
        elif word == ">":
            self.entries.append(Sent(ms, unescaped(text)))
        elif self.damaged and word != "line-error":
            raise RecordingError("a < line must follow line-error; move it there")
        else:
            self._mark(ms, word, text)

    def _mark(self, ms: int, word: str, text: str) -> None:
        if word in _MARKS and not text:
            self.entries.append(Mark(ms, cast("MarkKind", word)))
        elif word == "line-error":
            offset = _number(text)
            if offset is None or offset < max(self.damaged, default=self.at - 1) + 1:
                raise RecordingError(f"line-error needs the stream offset of a byte that comes next: {self.at} or more")
            self.damaged.append(offset)
        else:
            known = ", ".join(("<", ">", *_MARKS, "line-error"))
            raise RecordingError(f'"{_safe(word[:40])}" is no known word here; write one of {known}')

    def _hurt(self, size: int) -> tuple[int, ...]:
        if self.damaged[-1] >= self.at + size:
            raise RecordingError(f"line-error {self.damaged[-1]} lies behind these bytes; they end at {self.at + size}")
        hurt = tuple(each - self.at for each in self.damaged)
        self.damaged.clear()
        return hurt


_ESCAPES = {f"x{byte:02X}": bytes((byte,)) for byte in range(256) if not 0x20 < byte < 0x7F or byte == 0x5C}
_SLOW = {byte: f"\\x{byte:02X}" for byte in range(256) if not 0x20 <= byte < 0x7F or byte == 0x5C}


def escaped(data: bytes) -> str:
    """Bytes as a recording writes them."""
    # Nearly all streams are text with line ends: those few replacements are much faster than a table of all bytes.
    text = data.decode("latin-1").replace("\\", "\\x5C").replace("\r", "\\x0D").replace("\n", "\\x0A")
    if not (text.isascii() and text.isprintable()):
        text = data.decode("latin-1").translate(_SLOW)
    if text[:1] == " ":
        text = "\\x20" + text[1:]
    if text[-1:] == " ":
        text = text[:-1] + "\\x20"
    return text


def unescaped(text: str) -> bytes:
    """The bytes that a recording wrote. Raises RecordingError."""
    if not (text.isascii() and text.isprintable()):
        if text.endswith("\r"):
            raise RecordingError("the line ends with CR LF; save the recording with LF line ends")
        raise RecordingError("a character that is not printable ASCII; write its bytes as \\xNN")
    if not text or text[0] == " " or text[-1] == " ":
        raise RecordingError("no bytes, or a bare blank at either end; write a blank there as \\x20")
    first, *others = text.split("\\")
    parts = [first.encode("ascii")]
    for other in others:
        byte = _ESCAPES.get(other[:3])
        if byte is None:
            raise RecordingError(f'"\\{other[:3]}" is no escape; write \\xNN in upper-case hex, printable bytes as is')
        parts += (byte, other[3:].encode("ascii"))
    return b"".join(parts)


def _number(text: str) -> int | None:
    """Decimal ASCII digits without leading zeros."""
    whole = text.isascii() and text.isdigit() and len(text) <= 15 and (text[0] != "0" or text == "0")
    return int(text) if whole else None


def _fits(text: str) -> bool:
    return bool(text) and text.isprintable() and text == text.strip()


def _safe(text: str) -> str:
    return "".join(each if each.isprintable() else "?" for each in text)


def _header(rows: dict[str, str]) -> Header:
    """The header of the rows read; each row stands on the line of its place."""
    places = {key: place for place, key in enumerate(rows, 1)}

    def needed(key: str) -> str:
        if not rows.get(key):
            raise RecordingError(f'line 1: the header has no "{key}"; add a line "# {key}: ..."')
        return rows[key]

    def wrong(key: str, cure: str) -> RecordingError:
        return RecordingError(f'line {places[key]}: "{_safe(rows[key])}" is no {key}; write {cure}')

    text = needed("stream")
    try:
        stream = UUID(text)
    except ValueError:
        raise wrong("stream", "a UUID") from None
    purpose = needed("purpose")
    if purpose not in _PURPOSES:
        raise wrong("purpose", " or ".join(_PURPOSES))
    opened = _instant(needed("opened"))
    if opened is None:
        raise wrong("opened", "a UTC time with milliseconds, as 2026-11-24T09:30:00.000Z")
    line = needed("line")
    return Header(
        stream=stream,
        opened=opened,
        port=needed("port"),
        line=None if line == "none" else line,
        driver=needed("driver"),
        purpose=cast("Purpose", purpose),
        made_by=needed("made-by"),
        extra={key: value for key, value in rows.items() if key not in _OWN},
    )


_OWN = frozenset({"format", "stream", "opened", "port", "line", "driver", "purpose", "made-by"})


def _instant(text: str) -> datetime | None:
    """An RFC 3339 time in UTC with milliseconds."""
    try:
        instant = datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
    except ValueError:
        return None
    return instant if len(text) == len("2026-11-24T09:30:00.000Z") else None
