"""Items in words: what stands on a line of `listen`, `explain` and `check`, and when each item began."""

from __future__ import annotations

import pytest

from drivers import registry
from drivers.contract import Reply
from drivers.hearing import play
from drivers.recording import Bytes, Entry, Mark, decode
from drivers.telling import counts, hear, kind_of, told


@pytest.mark.parametrize(
    ("driver", "frame", "words"),
    [
        (
            "delimited-line",
            b"RES;0412;24/11/2026 10:31;B;OVR;----;16.4\r\n",
            "result 0412, breath, 2026-11-24 10:31:00: hydrogen above range, methane not measurable, oxygen 16.4 %; no check",
        ),
        (
            "delimited-line",
            b"RES;;31/02/2026 10:31;Q;1x;<2;\r\n",
            (
                "result, kind unknown, clock unreadable: hydrogen unreadable, methane <2 ppm (below range), oxygen unreadable, "
                "kind Q; no check"
            ),
        ),
        ("delimited-line", b"STA;FAULT;E07 PUMP\r\n", "event fault: text E07 PUMP"),
        ("delimited-line", b"STA;READY;\r\n", "event ready"),
        ("delimited-line", b"XXX\r\n", "refused: unknown-message, no message that the sheet knows"),
        ("delimited-line", b"\r\n", "noise: a blank line"),
        ("label-block", b"\x02MSG:FLOW\r\nO2:19.0 %\r\n*25\x03", "progress: oxygen 19.0 %"),
    ],
)
def test_each_item_has_its_words(driver: str, frame: bytes, words: str) -> None:
    (item,) = play(registry.find(driver), [Bytes(0, frame)])

    assert told(item) == words


def test_an_identifier_keyed_in_and_a_check_are_said() -> None:
    (registered,) = play(
        registry.find("hl7-oru"),
        decode((registry.SHEETS / "hl7-oru/recordings/breath.txt").read_bytes()).entries[:3],
    )
    assert "identifier A-1017" in told(registered)
    block = decode((registry.SHEETS / "label-block/recordings/above-range.txt").read_bytes()).entries
    assert any(told(item).endswith("; checksum") for item in play(registry.find("label-block"), block))


def test_each_item_began_when_its_first_byte_came_and_says_which_bytes_were_damaged() -> None:
    entries: list[Entry] = [
        Bytes(10, b"STA;REA"),
        Bytes(15, b"DY;\r\nSTA;"),
        Mark(16, "quiet"),
        Bytes(20, b"STA;WARM;1\r\n", (4,)),
        Bytes(25, b"\x00"),
    ]

    heard = hear(registry.find("delimited-line"), entries)

    assert [(each.n, each.ms, kind_of(each.item), each.damaged) for each in heard] == [
        (1, 10, "event", ()),
        (2, 15, "refused", ()),
        (3, 20, "refused", (20,)),
        (4, 25, "refused", ()),
    ]
    assert counts(each.item for each in heard) == {"event": 1, "refused": 3}


def test_a_reply_has_no_bytes_of_the_stream() -> None:
    assert told(Reply(b"\x06")) == "reply of 1 bytes"
