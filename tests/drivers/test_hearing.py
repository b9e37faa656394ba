"""How a recording is played to a driver: cut anew, without what was sent, beginning anew after a break."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal, cast
from uuid import UUID

import pytest

from drivers import registry
from drivers.contract import Event
from drivers.hearing import MOST_QUIET, by_times, entries_for, play, recut, silences
from drivers.recording import Bytes, Header, Mark, Recording, Sent

if TYPE_CHECKING:
    from drivers.contract import Decoder, Item
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


GAP = registry.find("gap-frame")
FRAMES = [b"MSG=STA/IS=READY/TEXT=", b"MSG=STA/IS=WARM/TEXT=1"]


def recorded(driver: str, entries: list[Entry]) -> Recording:
    header = Header(
        UUID(int=1), datetime(2026, 11, 24, tzinfo=UTC), "not said", None, driver, "training", "written by hand", {}
    )
    return Recording(header, tuple(entries))


def test_where_a_recording_was_made_without_the_driver_its_times_say_where_silence_was() -> None:
    first, second = FRAMES
    wait = round((GAP.new(0).quiet_after or 0.2) * 1000)
    entries: list[Entry] = [
        Bytes(0, first[:9]),
        Mark(wait - 20, "quiet"),  # a silence of another's: too short for this driver
        Bytes(wait - 10, first[9:]),
        Sent(wait + 1, b"?"),
        Bytes(2 * wait, second),
        Mark(9 * wait, "quiet"),
    ]

    heard = entries_for(GAP, recorded("unknown", entries))

    assert heard == [
        entries[0],
        entries[2],
        entries[3],
        Mark(2 * wait - 10, "quiet"),
        entries[4],
        Mark(3 * wait, "quiet"),
    ]
    assert [each.name for each in play(GAP, heard) if isinstance(each, Event)] == ["ready", "warming-up"]
    assert entries_for(GAP, recorded("gap-frame", entries)) == entries, "the driver itself was told of these"
    assert entries_for(GAP, recorded("delimited-line", entries)) == heard


def test_a_recording_without_times_or_without_anything_has_no_silences() -> None:
    assert by_times(GAP, []) == []
    assert by_times(GAP, [Mark(0, "quiet")]) == []
    bare: list[Entry] = [Bytes(0, each) for each in FRAMES]
    assert by_times(GAP, bare) == bare
    assert silences(bare) == []


def test_a_silence_stands_before_a_byte() -> None:
    assert silences([Mark(1, "quiet"), Bytes(2, b"abc"), Mark(3, "lost"), Sent(3, b"?"), *[Mark(4, "quiet")] * 2]) == [
        0,
        3,
        3,
    ]


def test_a_driver_that_always_wants_to_know_is_told_of_one_silence_so_often_and_one_that_fails_not_at_all() -> None:
    class Asking:
        at_rest, quiet_after = True, 0.1

        def opened(self) -> list[Item]:
            return []

        def feed(self, _data: bytes, _damaged: object = ()) -> list[Item]:
            return []

        def quiet(self) -> list[Item]:
            return []

        lost = quiet

    def fails(_offset: int) -> Decoder:
        raise RuntimeError("no decoder today")

    entries: list[Entry] = [Bytes(0, b"a"), Bytes(10_000_000, b"b")]
    asking = by_times(replace(GAP, new=lambda _offset: cast("Decoder", Asking())), entries)
    assert sum(isinstance(each, Mark) for each in asking) == MOST_QUIET
    assert by_times(replace(GAP, new=fails), entries) == entries
