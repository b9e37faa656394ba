r"""The check of a frame: which bytes it covers, how it is written, and whether it agrees.

    $GPGLL,...,A*31 CR LF        until = "*": all before it is covered; the check stands behind it
    STX 1TEXT ETX C3 CR LF       until = ETX, covers = ["until"]: the mark itself is covered too
    :0300300002337A1E CR LF      until = "", of = "hex": the last digits check the bytes that the other digits spell

Rules of the room:
- A check is compared with the one text that it must be, digit for digit: no other way of writing the same number counts.
- A CRC by parameters of the sheet's own proves itself when the sheet is loaded: its check value is part of the sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Annotated, Literal, TypeAlias

from pydantic import AfterValidator

from drivers.integrity import CHECKS, CRCS, LENGTHS, NINE, WIDTHS, Check, Crc, Written, crc
from drivers.sheet.framed import ByGap
from drivers.sheet.tables import Table, key
from drivers.tomltext import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.sheet.model import Sheet
    from drivers.tomltext import Path

    Mistake: TypeAlias = tuple[Path, str]


def _until(text: str) -> str:
    if not text.isascii() or len(text) > 32:
        raise ValueError('write 1 to 32 ASCII characters, e.g. "*", or "" where no mark stands before the check')
    return text


OWN = "crc"
"""The kind whose parameters the sheet gives itself."""
_NUMBERS = ("poly", "init", "xorout", "check")
_PARAMETERS = ("width", *_NUMBERS, "refin", "refout")
_KNOWN = ", ".join(f"`{each}`" for each in CHECKS)


class Sum(Table):
    """The check of a frame, at the end of its payload."""

    kind: str = key(..., f"the check: {_KNOWN}, or `{OWN}` with parameters of its own", 'kind = "xor8"')
    until: Annotated[str, AfterValidator(_until)] = key(
        ...,
        'the mark before the check, which covers all before it; `""`: no mark, the check is the last digits',
        'until = "*"',
    )
    covers: list[Literal["start", "until"]] = key(
        [], "which marks the check covers too: the frame's `start`, and `until`", 'covers = ["until"]'
    )
    of: Literal["text", "hex"] = key(
        "text", "`hex`: the check is of the bytes that the covered text spells in pairs of hex digits", 'of = "hex"'
    )
    written: Written = key(
        ..., "how it is written: `hex` or `dec`, and the number of digits, filled up with zeros", 'written = "hex2"'
    )
    letters: Literal["capital", "small"] = key("capital", "the hex digits A to F", 'letters = "small"')
    first: Literal["high", "low"] = key("high", "which byte of the check stands first", 'first = "low"')
    width: int | None = key(None, f'bits of a CRC; `kind = "{OWN}"` alone', "width = 16", ge=8, le=32)
    poly: int | None = key(None, "its polynomial, without the highest bit", "poly = 0x1021", ge=0)
    init: int | None = key(None, "what its register begins with", "init = 0xFFFF", ge=0)
    refin: bool | None = key(None, "whether the bits of each byte are reflected", "refin = false")
    refout: bool | None = key(None, "whether the register is reflected at the end", "refout = false")
    xorout: int | None = key(None, "what the register is XORed with at the end", "xorout = 0x0000", ge=0)
    check: int | None = key(
        None, "its value for the nine bytes `123456789`, as every description has it", "check = 0x29B1", ge=0
    )


@dataclass(frozen=True, slots=True)
class FrameCheck:
    """The check that every frame of a sheet carries. `start`: the start mark, if it is covered."""

    check: Check
    until: bytes
    start: bytes
    with_until: bool
    of_hex: bool
    decimal: bool
    size: int
    small: bool
    low_first: bool

    def cut(self, payload: bytes) -> tuple[bytes, bytes] | None:
        """What stands before the check and its mark, and the check as written; None where there is none."""
        if not self.until:
            return (payload[: -self.size], payload[-self.size :]) if len(payload) > self.size else None
        body, mark, written = payload.rpartition(self.until)
        return (body, written) if mark else None

    def right(self, body: bytes) -> bytes | None:
        """The check as it must be written behind `body`; None where that is no text of hex digits, and must be."""
        covered = self.start + body + (self.until if self.with_until else b"")
        if self.of_hex:
            digits = b"0123456789abcdef" if self.small else b"0123456789ABCDEF"
            if len(body) % 2 or body.strip(digits):
                return None
            covered = bytes.fromhex(body.decode("ascii"))
        number = self.check.of(covered)
        if self.low_first:
            number = int.from_bytes(number.to_bytes(self.size // 2, "big"), "little")
        if self.decimal:
            return b"%0*d" % (self.size, number)
        return (b"%0*x" if self.small else b"%0*X") % (self.size, number)

    def body(self, payload: bytes) -> tuple[bytes | None, str]:
        """What stands before the check; or None, and in words why the check fails."""
        parts = self.cut(payload)
        if parts is None:
            return None, "no check where one must stand"
        body, written = parts
        right = self.right(body)
        if right is None:
            return None, "what the check covers is no text of hex digits in pairs"
        if written != right:
            return None, f"{self.check.name} does not agree with the bytes"
        return body, ""


def check_of(sheet: Sheet) -> FrameCheck | None:
    """The check that each frame of a loaded sheet carries, if any."""
    said = sheet.check
    if said is None:
        return None
    own = _own(said)
    check = (
        CHECKS[said.kind]
        if own is None
        else Check(f"crc of {own.width} bits", own.width, "crc", partial(crc, parameters=own))
    )
    start = (getattr(sheet.frame, "start", None) or "") if "start" in said.covers else ""
    return FrameCheck(
        check=check,
        until=said.until.encode("ascii"),
        start=start.encode("ascii"),
        with_until="until" in said.covers,
        of_hex=said.of == "hex",
        decimal=said.written.startswith("dec"),
        size=LENGTHS[said.written],
        small=said.letters == "small",
        low_first=said.first == "low",
    )


def room_for(said: Sum) -> int:
    """The bytes of a frame that its check takes, with the mark before it."""
    return len(said.until) + LENGTHS[said.written]


def sum_mistakes(sheet: Sheet) -> Iterator[Mistake]:
    """What is wrong with the check, each with the path of its key."""
    said = sheet.check
    if said is None:
        return
    yield from _kind(said)
    yield from _parameters(said)
    width = said.width if said.kind == OWN else CHECKS[said.kind].width
    yield from _written(said, width or 0)
    if "start" in said.covers and (isinstance(sheet.frame, ByGap) or not getattr(sheet.frame, "start", None)):
        yield ("sum", "covers"), "the frame has no start mark; take start out, or give the frame one"
    if "until" in said.covers and not said.until:
        yield ("sum", "covers"), "there is no until to cover; take it out, or add until"
    if said.covers and said.of == "hex":
        yield ("sum", "covers"), "a mark spells no byte in hex digits; take covers out"


def _kind(said: Sum) -> Iterator[Mistake]:
    if said.kind == OWN or said.kind in CHECKS:
        return
    path = ("sum", "kind")
    if said.kind.casefold().startswith("crc"):
        crcs = ", ".join(CRCS)
        yield (
            path,
            f'unknown word "{said.kind}"; there are several, take the one of the description: {crcs}; or write its parameters, kind = "{OWN}"',
        )
    near = nearest(said.kind, CHECKS)
    cure = f'did you mean "{near}"?' if near else f"write one of {', '.join(sorted(CHECKS))}"
    yield path, f'unknown word "{said.kind}"; {cure}'


def _parameters(said: Sum) -> Iterator[Mistake]:
    """A CRC's own parameters: all of them, each within its width, and true to the check value."""
    given = [name for name in _PARAMETERS if getattr(said, name) is not None]
    if said.kind != OWN:
        for name in given:
            yield ("sum", name), f'{said.kind} has its parameters by its name; take {name} out, or write kind = "{OWN}"'
        return
    for name in _PARAMETERS:
        if name not in given:
            example = Sum.model_fields[name].examples
            yield (
                ("sum",),
                f'kind = "{OWN}" needs {name}; add for example {(example or [""])[0]}, as the description has it',
            )
    own = _own(said)
    if own is None:
        return
    for name in _NUMBERS:
        if getattr(said, name) >> own.width:
            yield (
                ("sum", name),
                f"has more than {own.width} bits; write at most {_hex((1 << own.width) - 1, own.width)}",
            )
    if own.poly % 2 == 0:
        what = "is even, and no CRC is: its lowest bit is 1; write it without its highest bit, not without its lowest"
        yield ("sum", "poly"), what
    found = crc(NINE, own)
    if found != said.check:
        known = next(
            (name for name in CRCS if CRCS[name].width == own.width and CHECKS[name].of(NINE) == said.check), None
        )
        cure = (
            f'write kind = "{known}", whose check that is' if known else "compare each parameter with the description"
        )
        wrong, right = _hex(found, own.width), _hex(said.check or 0, own.width)
        yield ("sum", "check"), f'these parameters give {wrong} for "123456789", not {right}; {cure}'


def _written(said: Sum, width: int) -> Iterator[Mistake]:
    path, bits = ("sum", "written"), WIDTHS[said.written]
    fits = {f"hex{-(-width // 4)}", f"hex{-(-width // 8) * 2}", *(f"dec{n}" for n, most in _DECIMAL if width <= most)}
    if said.written not in fits or (said.written.startswith("dec") and said.written != _shortest(width)):
        ways = " or ".join(f'"{each}"' for each in (f"hex{-(-width // 4)}", _shortest(width)) if each in WIDTHS)
        yield path, f"{said.kind} has {width} bits; write written = {ways}"
    if said.written.startswith("dec") and said.letters == "small":
        yield ("sum", "letters"), "decimal digits have no letters; take letters out"
    if said.first == "low" and (width % 8 or width < 16 or said.written != f"hex{bits // 4}" or bits != width):
        yield ("sum", "first"), "only two bytes or more, in hex digits, have an order; take first out"


_DECIMAL = ((3, 8), (5, 16), (10, 32))
"""Decimal digits, and the bits that they hold."""


def _shortest(width: int) -> str:
    return next(f"dec{n}" for n, most in _DECIMAL if width <= most)


def _own(said: Sum) -> Crc | None:
    """The CRC of the sheet's own parameters, if it has them all."""
    if said.kind != OWN or said.width is None or said.poly is None or said.init is None:
        return None
    if said.refin is None or said.refout is None or said.xorout is None or said.check is None:
        return None
    return Crc(said.width, said.poly, said.init, refin=said.refin, refout=said.refout, xorout=said.xorout)


def _hex(number: int, width: int) -> str:
    return f"0x{number:0{-(-width // 4)}X}"
