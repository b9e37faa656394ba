r"""Escapes in texts, e.g. `\T\` for `&`: undone in one pass, so that what an escape stands for is never read as one again.

All escapes of a sheet begin with the same sign. What begins with it and is no escape of the sheet stays as it was sent.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import AfterValidator

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


def _escapes(said: dict[str, str]) -> dict[str, str]:
    for escape, text in said.items():
        if not (escape.isascii() and 2 <= len(escape) <= 8 and text.isascii() and 1 <= len(text) <= 8):
            raise ValueError(r"write 2 to 8 ASCII characters for 1 to 8 others, e.g. escapes = { '\T\' = '&' }")
    if any(escape[0].isalnum() for escape in said):
        raise ValueError("a letter or digit begins words and numbers too; write escapes that begin with another sign")
    if len({escape[0] for escape in said}) > 1:
        raise ValueError("all escapes must begin with the same sign; take the others out")
    for escape in said:
        longer = next((each for each in said if each != escape and each.startswith(escape)), None)
        if longer is not None:
            raise ValueError(f'"{escape}" is how "{longer}" begins; no escape may begin another')
    return said


Escapes = Annotated[dict[str, str], AfterValidator(_escapes)]


def compile_escapes(said: Mapping[str, str]) -> Callable[[bytes], bytes] | None:
    """A function from a text as sent to the text as meant; None where nothing is escaped."""
    if not said:
        return None
    known = [(escape.encode("ascii"), text.encode("ascii")) for escape, text in said.items()]
    sign = known[0][0][:1]

    def undone(raw: bytes) -> bytes:
        parts: list[bytes] = []
        at = 0
        while (hit := raw.find(sign, at)) >= 0:
            parts.append(raw[at:hit])
            escape, text = next((each for each in known if raw.startswith(each[0], hit)), (sign, sign))
            parts.append(text)
            at = hit + len(escape)
        return b"".join([*parts, raw[at:]])

    return undone
