"""What the far side's application says: sent becomes accepted or refused, once, and never by half a file."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from structlog.testing import CapturingLogger

from capture.destinations import seldom
from capture.destinations.folder import LOOK_EVERY_S, LOOK_SOON_S, Wishes
from capture.destinations.folder import receipts as room
from capture.destinations.pump import Pump
from capture.destinations.thread import ThreadCarrier
from capture.errors import DestinationDown

if TYPE_CHECKING:
    from pathlib import Path

    from capture.destinations.folder import Folder
    from tests.destinations.folder.hands import Bench

WISHES = Wishes(receipts=True)


@pytest.fixture
def sent(bench: Bench) -> tuple[Folder, Path]:
    """A folder to which one record was sent, and the receipt that the far side will put there."""
    folder = bench.folder(WISHES)
    folder.look()
    bench.breathe()
    (parcel,) = bench.taken(folder)
    bench.deliver(folder)
    return folder, bench.target / "receipts" / f"{parcel.id}.1"


@pytest.mark.parametrize(
    ("content", "state", "words"),
    [
        (b"", "accepted", None),
        (b"filed as A-17\nsecond line\n", "accepted", "filed as A-17"),
        (b"refused: unknown patient\r\n", "refused", "unknown patient"),
        (b"Refused", "refused", None),
        (b"REFUSED - unknown patient", "refused", "unknown patient"),
        (b"refused, unknown patient", "refused", "unknown patient"),
        (b"refused. See the log.", "refused", "See the log."),
        (b"refused unknown patient", "refused", "unknown patient"),
        (b"  Refused\xe2\x80\x94unknown patient", "refused", "unknown patient"),
        (b"refused (unknown patient)", "refused", "(unknown patient)"),
        (b"not refused", "accepted", "not refused"),
        (b"refusedly accepted", "accepted", "refusedly accepted"),
        (b"\xef\xbb\xbfrefused:\tno\x00t this\xff", "refused", "no?t this\ufffd"),
        (b"x" * 5000, "accepted", "x" * room.WORDS_MOST),
    ],
)
def test_a_receipt_turns_sent_into_what_its_first_line_says(
    bench: Bench, sent: tuple[Folder, Path], content: bytes, state: str, words: str | None
) -> None:
    folder, receipt = sent
    receipt.write_bytes(content)

    folder.look()
    folder.look()

    assert bench.state(2) == (state, words)
    assert (receipt.parent / "done" / receipt.name).read_bytes() == content
    assert not receipt.exists()


def test_a_receipt_that_is_still_being_written_is_waited_for(bench: Bench, sent: tuple[Folder, Path]) -> None:
    folder, receipt = sent
    receipt.write_bytes(b"")
    folder.look()
    receipt.write_bytes(b"refused: no")

    folder.look()
    assert bench.state(2)[0] == "sent"
    folder.look()
    assert bench.state(2) == ("refused", "no")


def test_a_receipt_that_is_earlier_than_our_own_answer_waits_for_it(bench: Bench) -> None:
    folder = bench.folder(WISHES)
    folder.look()
    bench.breathe()
    (parcel,) = bench.taken(folder)
    (bench.target / "receipts" / f"{parcel.id}.1").touch()
    folder.look()
    folder.look()
    assert bench.state(2)[0] == "attempted"

    bench.deliver(folder)
    folder.look()

    assert bench.state(2)[0] == "accepted"


def test_after_a_crash_between_journal_and_rename_the_receipt_is_read_again(
    bench: Bench, sent: tuple[Folder, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, receipt = sent
    receipt.touch()
    folder.look()

    def failing(*_: object) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "rename", failing)
        with pytest.raises(DestinationDown):
            folder.look()
    assert bench.state(2)[0] == "accepted"
    assert receipt.exists()

    again = bench.folder(WISHES)
    again.look()
    again.look()

    assert bench.state(2)[0] == "accepted"
    assert not receipt.exists()


@pytest.mark.parametrize("name", ["11111111-2222-4333-8444-555555555555.1", "{id}.2"])
def test_a_receipt_for_what_was_never_sent_changes_nothing_and_is_put_aside(
    bench: Bench, sent: tuple[Folder, Path], name: str
) -> None:
    folder, receipt = sent
    odd = receipt.with_name(name.format(id=receipt.name.partition(".")[0]))
    odd.touch()

    folder.look()
    folder.look()

    assert bench.state(2)[0] == "sent"
    assert (receipt.parent / "unknown" / odd.name).exists()


def test_an_answer_that_stands_is_not_turned_by_a_second_receipt(bench: Bench, sent: tuple[Folder, Path]) -> None:
    folder, receipt = sent
    for content in (b"filed", b"refused: changed our mind"):
        receipt.write_bytes(content)
        folder.look()
        folder.look()

    assert bench.state(2) == ("accepted", "filed")
    assert (receipt.parent / "unknown" / receipt.name).exists()


@pytest.mark.parametrize("name", ["{id}.1.part", "{id}", "{id}.0", "{id}.x", "notes.txt", "11.1"])
def test_a_file_under_no_records_name_is_put_aside_and_said_in_the_log(
    bench: Bench, sent: tuple[Folder, Path], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    log = CapturingLogger()
    monkeypatch.setattr(seldom, "log", log)
    folder, receipt = sent
    odd = receipt.with_name(name.format(id=receipt.name.partition(".")[0]))
    odd.write_bytes(b"filed")
    folder.look()
    assert odd.exists()  # it may still be written to

    folder.look()

    assert bench.state(2)[0] == "sent"
    assert (receipt.parent / "unknown" / odd.name).read_bytes() == b"filed"
    assert not odd.exists()
    assert [(call.method_name, call.kwargs["receipt"]) for call in log.calls] == [("warning", odd.name)]


@pytest.fixture
def flooded(sent: tuple[Folder, Path], monkeypatch: pytest.MonkeyPatch) -> tuple[Folder, Path, CapturingLogger]:
    """A folder after the far side wrote a hundred wrong names, where those went, and what was said of them."""
    log = CapturingLogger()
    monkeypatch.setattr(seldom, "log", log)
    folder, receipt = sent
    for n in range(100):
        receipt.with_name(f"{n}.part").touch()
    folder.look()
    folder.look()
    return folder, receipt.parent / "unknown", log


def test_a_far_side_that_writes_a_hundred_wrong_names_fills_no_log(
    flooded: tuple[Folder, Path, CapturingLogger],
) -> None:
    _, unknown, log = flooded

    assert len(list(unknown.iterdir())) == 100
    assert len(log.calls) == 1


def test_what_was_held_back_is_said_when_the_service_stops(
    bench: Bench, flooded: tuple[Folder, Path, CapturingLogger]
) -> None:
    folder, _, log = flooded
    carrier = ThreadCarrier(folder)
    carrier.start(Pump(bench.store, carrier))

    assert carrier.stop(30)

    assert [call.kwargs.get("count") for call in log.calls] == [None, 99]


def test_a_name_that_is_no_text_is_put_aside_too(sent: tuple[Folder, Path]) -> None:
    folder, receipt = sent
    odd = os.path.join(os.fsencode(receipt.parent), b"caf\xe9")  # noqa: PTH118 - a name that no Path of text can say
    with open(odd, "wb"):  # noqa: PTH123 - as above
        pass

    folder.look()
    folder.look()

    assert os.listdir(os.fsencode(receipt.parent / "unknown")) == [b"caf\xe9"]  # noqa: PTH208 - as above


def test_a_receipt_may_write_the_id_in_capitals(bench: Bench, sent: tuple[Folder, Path]) -> None:
    folder, receipt = sent
    receipt.with_name(receipt.name.upper()).write_bytes(b"filed")

    folder.look()
    folder.look()

    assert bench.state(2) == ("accepted", "filed")
    assert (receipt.parent / "done" / receipt.name).exists()


def test_hidden_files_and_links_are_left_alone(bench: Bench, sent: tuple[Folder, Path]) -> None:
    folder, receipt = sent
    hidden = receipt.with_name(f".{receipt.name}")
    hidden.touch()
    receipt.symlink_to("/etc/hostname")

    folder.look()
    folder.look()

    assert bench.state(2)[0] == "sent"
    assert receipt.is_symlink()
    assert hidden.exists()


def test_a_look_takes_no_more_than_so_many(
    bench: Bench, sent: tuple[Folder, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "LOOK_AT", 10)
    folder, receipt = sent
    for n in range(25):
        receipt.with_name(f"{n:08}-2222-4333-8444-555555555555.1").touch()

    pauses = [folder.look() for _ in range(8)]

    assert len(os.listdir(receipt.parent / "unknown")) == 25  # noqa: PTH208 - the plainest question
    assert pauses[0] == LOOK_EVERY_S
    assert pauses[1] == LOOK_SOON_S  # something was taken: more may lie there
    assert pauses[-1] == LOOK_EVERY_S


def test_a_folder_without_receipts_and_without_an_age_is_looked_at_once(bench: Bench) -> None:
    assert bench.folder().look() is None
    assert not (bench.target / "receipts").exists()
