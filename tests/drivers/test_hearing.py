"""How a recording is played to a driver: cut anew, without what was sent, beginning anew after a break."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import pytest

from drivers import registry
from drivers.hearing import play, recut
from drivers.recording import Bytes, Mark, Sent

if TYPE_CHECKING:
    from drivers.contract import Decoder
    from drivers.recording import Entry

LINE = registry.find("delimited-line")
RESULT = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"
ENTRIES: list[Entry] = [
    Bytes(0, RESULT),
    Mark(1, "quiet"),
    Bytes(2, RESULT[:20]),
    Bytes(3, RESULT[20:], (3,)),
    Bytes(4, RESULT),
]


def test_recut_keeps_bytes_marks_and_damage_in_place() -> None:
    assert recut(ENTRIES, [40, 41, 50, 80, 999]) == [
        Bytes(0, RESULT),
        Mark(1, "quiet"),
        Bytes(0, RESULT[:1]),
        Bytes(0, RESULT[1:10]),
        Bytes(0, RESULT[10:], (13,)),
        Bytes(0, RESULT),
    ]
    assert recut([Mark(0, "end")], None) == [Mark(0, "end")]


def test_what_was_sent_is_not_heard() -> None:
    entries: list[Entry] = [Bytes(0, RESULT[:9]), Sent(1, b"\x06"), Bytes(2, RESULT[9:])]
    assert recut(entries, []) == [Bytes(0, RESULT)]
    assert play(LINE, entries) == play(LINE, [Bytes(0, RESULT)])


@pytest.mark.parametrize("kind", ["lost", "missing", "end"])
def test_after_a_break_a_new_decoder_goes_on_at_the_same_offset(kind: Literal["lost", "missing", "end"]) -> None:
    begun: list[int] = []

    def new(offset: int) -> Decoder:
        begun.append(offset)
        return LINE.new(offset)

    play(replace(LINE, new=new), [Bytes(0, RESULT[:9]), Mark(1, "quiet"), Bytes(2, RESULT), Mark(3, kind)])
    assert begun[:2] == [0, 49]
