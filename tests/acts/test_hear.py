"""What arrives by itself: one batch, one transaction, and every item in its place."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID, uuid4

import pytest

from capture.acts import hear, keep, look
from capture.errors import JournalError, NotFound, UsageError
from capture.journal import records
from capture.record import numbers
from capture.record.moment import Calibrated
from drivers.contract import Event, Noise, Refused, Span
from tests import kit

if TYPE_CHECKING:
    from typing import Any

    from capture.journal.store import Store
    from drivers.contract import Item


def stored(store: Store, kind: str = "reading") -> list[dict[str, Any]]:
    page = store.call(lambda tx: look.readings(tx, kind=kind))
    return [numbers.loads(row["text"]) for row in page["records"]]


def test_a_result_becomes_one_reading_and_keeps_the_analysers_digits(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40, "37", "16.40")])))

    (reading,) = stored(begun)
    assert numbers.dumps(reading["oxygen"]["value"]) == "16.40"
    assert reading["status"] == "preliminary"
    assert reading["breath_test"] is None
    assert reading["source"]["spans"] == [[0, 40]]


def test_the_second_result_of_a_batch_sees_what_the_event_before_it_changed(begun: Store) -> None:
    items: list[Item] = [Event((Span(0, 10),), "ready"), kit.result(10, 50)]

    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items)))

    (reading,) = stored(begun)
    assert reading["analyser_state"]["warm"] is True


def test_refused_frames_and_noise_are_kept_and_never_a_reading(begun: Store) -> None:
    items: list[Item] = [
        Refused((Span(0, 9),), "bad-checksum", "5A is not 5B"),
        Noise((Span(9, 20),), "between frames"),
    ]

    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items)))

    assert stored(begun) == []
    assert begun.call(look.refused) == [
        {
            "analyser": "h2-a",
            "at_ms": kit.BEGAN_MS,
            "why": "bad-checksum: 5A is not 5B",
            "name": f"{kit.STREAM}/0",
        }
    ]


def test_a_port_that_goes_leaves_an_event_and_an_unknown_state(begun: Store) -> None:
    ready = kit.batch([Event((Span(0, 10),), "ready")])
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, ready))
    gone = kit.batch([], n=1, first=10, ms=900, ended="gone")

    begun.call(lambda tx: hear.hear(tx, kit.BENCH, gone, "the cable was pulled"))

    assert [event["name"] for event in stored(begun, "event")] == ["appeared", "ready", "gone"]
    assert stored(begun, "event")[-1]["words"] == "the cable was pulled"
    assert begun.call(lambda tx: records.state_of(tx, "h2-a")).warm is None


def test_a_failed_calibration_comes_back_from_the_journal_as_it_was_and_outlives_the_line(begun: Store) -> None:
    failed = kit.batch([Event((Span(0, 10),), "calibration-failed")])
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, failed))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(10, 50)], n=1, first=10, ms=900)))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([], n=2, first=50, ms=950, ended="gone")))

    event = stored(begun, "event")[1]
    known = {"at": event["received_at"], "result": "failed", "event": event["id"], "by": None}
    assert stored(begun)[0]["analyser_state"]["calibration"] == known
    calibration = begun.call(lambda tx: records.state_of(tx, "h2-a")).calibration
    assert calibration == Calibrated(datetime.fromisoformat(event["received_at"]), "failed", UUID(event["id"]))


def test_an_orderly_stop_is_no_event(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([], ended="stopped")))

    assert [event["name"] for event in stored(begun, "event")] == ["appeared"]


def test_a_batch_cannot_be_added_twice(begun: Store) -> None:
    batch = kit.batch([kit.result(0, 40)])
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, batch))

    with pytest.raises(JournalError, match="a batch from byte 0 does not follow byte 40"):
        begun.call(lambda tx: hear.hear(tx, kit.BENCH, batch))
    assert len(stored(begun)) == 1


def test_nothing_follows_the_end_of_a_stream(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([], ended="end")))

    with pytest.raises(JournalError, match="ended: end"):
        begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)])))


def test_a_batch_of_an_unknown_stream_is_refused(begun: Store) -> None:
    batch = kit.batch([kit.result(0, 40)], stream=uuid4())

    with pytest.raises(JournalError, match="was never begun"):
        begun.call(lambda tx: hear.hear(tx, kit.BENCH, batch))


def test_a_stream_that_the_journal_holds_is_refused_by_name(begun: Store) -> None:
    with pytest.raises(UsageError, match=f"stream {kit.STREAM} .* is already in this journal"):
        begun.call(lambda tx: hear.begin(tx, kit.BENCH, kit.head(), "by hand", live=False))


def test_the_text_of_a_driver_is_kept_once_by_its_digest(begun: Store) -> None:
    again = kit.head(uuid4())

    begun.call(lambda tx: hear.begin(tx, kit.BENCH, again, "by hand", live=False))

    assert begun.call(lambda tx: hear.text_used(tx, "0" * 64)) == ("by-hand", "by hand")
    assert begun.call(lambda tx: len(records.bodies(tx, "used"))) == 1
    assert begun.call(lambda tx: hear.text_used(tx, "1" * 64)) is None


def test_the_journal_keeps_its_id_for_life(store: Store) -> None:
    first = store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "UTC", kit.heard()))

    again = store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-2", "UTC", kit.heard()))

    assert again == replace(first, name="bench-2")


def test_explain_walks_from_a_record_to_its_bytes(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([Noise((Span(0, 5),), "hum"), kit.result(5, 45)])))
    (reading,) = stored(begun)

    story = begun.call(lambda tx: look.explain(tx, reading["id"][:8]))

    assert story["runs"] == [{"start": 5, "end": 45, "hex": "78" * 40}]
    assert story["sheet"] == {"name": "by-hand", "text": "by hand"}
    assert numbers.loads(story["record"])["id"] == reading["id"]


def test_explain_walks_from_bytes_to_what_they_were(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([Noise((Span(0, 5),), "hum"), kit.result(5, 45)])))

    assert begun.call(lambda tx: look.explain(tx, f"{kit.STREAM}/3"))["detail"] == "hum"
    assert begun.call(lambda tx: look.explain(tx, f"{kit.STREAM}/44"))["record"] is not None


@pytest.mark.parametrize(
    ("name", "error", "words"),
    [
        ("zz", UsageError, "is no record id"),
        ("", UsageError, "is no record id"),
        ("f" * 33, UsageError, "is no record id"),
        ("00", NotFound, "no record's id begins with"),
        (f"{kit.STREAM}/9999", NotFound, "is in no item"),
        (f"{uuid4()}/0", NotFound, "no such stream"),
        (f"{kit.STREAM}/x", UsageError, "is no place in a stream"),
    ],
)
def test_explain_says_what_it_cannot_find(begun: Store, name: str, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        begun.call(lambda tx: look.explain(tx, name))


def test_explain_wants_more_digits_where_several_ids_fit(begun: Store) -> None:
    items: list[Item] = [kit.result(40 * n, 40 * (n + 1)) for n in range(20)]
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items)))
    first = [reading["id"][0] for reading in stored(begun)]
    common = next(digit for digit in first if first.count(digit) > 1)

    with pytest.raises(UsageError, match="give more digits"):
        begun.call(lambda tx: look.explain(tx, common))


def test_nothing_of_an_ended_stream_stays_in_memory(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)])))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([], n=1, first=40, ended="gone")))

    assert not [key for key in begun._memo if key[0] in ("stream", "head")]
