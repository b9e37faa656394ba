r"""Our own writer of recordings: one stream as a text file, made without a port.

    # format: stream-recording/1
    # stream: <uuid>            the same for the same session
    # opened: 2026-11-24T06:30:00.000Z
    # port: simulated
    # line: 9600 8N1
    # driver: delimited-line
    # purpose: training
    # made-by: tidewire simulators, seed 7
    0 < STA;WARM;1800\x0D\x0A                milliseconds since the opening < bytes
    500 quiet                                 only where silence ends a message
    14400000 end                              the stream is used up; `lost` instead: the cable was pulled

Printable ASCII stands as it is; a backslash, a space at either end of the bytes, and everything else as \xNN in
upper-case hex. Bytes are cut after each line feed and at 64 bytes, each piece with the time at which the line would have
brought its first byte.
"""

from __future__ import annotations

from datetime import timedelta
from hashlib import sha256
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from simulators.cable import Step
    from simulators.formats import Format
    from simulators.session import Session

NAMESPACE = UUID("5d0c1a52-6f0e-4b57-9a53-0c7f6f1d2e84")
"""Of the streams made here; drawn once."""

LONGEST_PIECE = 64
AS_IT_IS = frozenset(range(0x21, 0x7F)) - {0x5C}


def recordings(session: Session) -> list[str]:
    """The texts of the session's recordings: one for each opening of the port."""
    return [_text(session, number, steps) for number, steps in enumerate(_openings(session))]


def write_recording(session: Session, path: Path) -> list[Path]:
    """Write the session's recordings and return their paths: `path`, then `NAME.2.SUFFIX` … if a cable was pulled."""
    written = []
    for number, text in enumerate(recordings(session), start=1):
        place = place_of(path, number)
        place.write_text(text, encoding="ascii", newline="\n")
        written.append(place)
    return written


def place_of(path: Path, number: int) -> Path:
    """Where the session's recording of that number (from 1) is written."""
    return path if number == 1 else path.with_name(f"{path.stem}.{number}{path.suffix}")


def escaped(data: bytes) -> str:
    """Bytes as they stand in a recording."""
    last = len(data) - 1
    return "".join(
        chr(byte) if byte in AS_IT_IS or (byte == 0x20 and 0 < n < last) else f"\\x{byte:02X}"
        for n, byte in enumerate(data)
    )


def _openings(session: Session) -> Iterator[list[Step]]:
    steps: list[Step] = []
    for step in session.steps:
        if step.what == "plug":
            yield steps
            steps = []
        steps.append(step)
    yield steps


def _text(session: Session, number: int, steps: Sequence[Step]) -> str:
    opened_ms = steps[0].at_ms if number else 0
    lines = list(_lines(steps, opened_ms, session.format))
    instant = session.opened + timedelta(milliseconds=opened_ms)
    content = sha256("\n".join(lines).encode("ascii")).hexdigest()
    header = {
        "format": "stream-recording/1",
        "stream": str(uuid5(NAMESPACE, f"{session.format.name}/{session.seed}/{number}/{content}")),
        "opened": instant.strftime("%Y-%m-%dT%H:%M:%S.") + f"{instant.microsecond // 1000:03d}Z",
        "port": "simulated",
        "line": session.format.line,
        "driver": session.format.name,
        "purpose": "training",
        "made-by": f"tidewire simulators, seed {session.seed}",
    }
    return "".join(f"# {key}: {value}\n" for key, value in header.items()) + "".join(f"{line}\n" for line in lines)


def _lines(steps: Sequence[Step], opened_ms: int, form: Format) -> Iterator[str]:
    at_ms = 0  # a line is never earlier than the one before it, however late a long burst makes it
    ended = "end"
    for step in steps:
        at_ms = max(at_ms, step.at_ms - opened_ms)
        if step.what == "unplug":
            ended = "lost"
        for data, silent_s in step.pieces:
            begun_ms, sent = at_ms, 0
            for piece in _pieces(data):
                at_ms = begun_ms + sent * 1000 // form.bytes_per_s
                yield f"{at_ms} < {escaped(piece)}"
                sent += len(piece)
            at_ms = begun_ms + sent * 1000 // form.bytes_per_s + round(silent_s * 1000)
            if form.silence_s and silent_s >= form.silence_s:
                yield f"{at_ms} quiet"
    yield f"{at_ms} {ended}"


def _pieces(data: bytes) -> Iterator[bytes]:
    for line in data.splitlines(keepends=True) if b"\n" in data else [data]:
        for start in range(0, len(line), LONGEST_PIECE):
            yield line[start : start + LONGEST_PIECE]
