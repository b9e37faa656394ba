"""Between entries and batches: every byte has its place, whatever a driver does, and nothing is fed twice."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.daemon import feeder as room
from capture.daemon.feeder import Feeder
from capture.ports.base import Chunk, Ended, Entry, Missing, Quiet
from capture.record.moment import Heard
from drivers import registry
from drivers.contract import Refused, Span
from drivers.recording import Bytes, Mark, parse_entries
from tests import kit
from tests.daemon.hands import chunk, driver, kinds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.record.moment import Arrival, Batch


def feeder(*faults: str) -> Feeder:
    return Feeder(driver(*faults), kit.STREAM, kit.heard())


def said(batch: Batch) -> str:
    return kinds(arrival.item for arrival in batch.arrivals)


def spans(arrivals: Sequence[Arrival]) -> list[tuple[int, int]]:
    return sorted((span.start, span.end) for arrival in arrivals for span in arrival.spans)


def rule(arrival: Arrival) -> str:
    assert isinstance(arrival.item, Refused)
    return f"{arrival.item.why}: {arrival.item.rule}"


def test_a_batch_carries_bytes_items_and_the_lines_of_a_recording() -> None:
    feeding = feeder()
    feeding.feed([chunk("N1\nR3", 5), chunk("7\nP", 9)])

    batch = feeding.harvest()

    assert (batch.first, batch.size, batch.rest) == (0, 8, False)
    assert said(batch) == "NR"
    assert [arrival.n for arrival in batch.arrivals] == [0, 1]
    assert [arrival.raw for arrival in batch.arrivals] == [b"N1\n", b"R37\n"]
    assert batch.script == "5 < N1\\x0AR3\n9 < 7\\x0AP\n"
    assert feeding.held == 1


def test_an_item_is_heard_when_its_first_byte_was_read() -> None:
    feeding = feeder()
    feeding.feed([chunk("N1\nR", 5), chunk("3", 700), chunk("7\n", 900)])

    heard = [arrival.heard for arrival in feeding.harvest().arrivals]

    assert heard == [kit.heard(5), kit.heard(5)]


def test_the_next_batch_goes_on_where_the_last_one_ended() -> None:
    feeding = feeder()
    feeding.feed([chunk("R1\nR")])
    first = feeding.harvest()
    feeding.feed([chunk("2\n", 40)])

    second = feeding.harvest()

    assert (second.first, second.size, second.at_ms) == (first.first + first.size, 2, 40)
    assert [arrival.n for arrival in second.arrivals] == [1]
    assert second.arrivals[0].raw == b"R2\n"


@pytest.mark.parametrize(("line", "word"), [("!", "ValueError"), ("2", "ValueError")])
def test_a_driver_that_raises_or_takes_a_byte_twice_ends_its_stream_and_keeps_every_byte(line: str, word: str) -> None:
    feeding = feeder()
    feeding.feed([chunk("R1\nR")])
    feeding.feed([chunk(f"2\nR3\n{line}\nR4")])

    batch = feeding.harvest()

    assert feeding.over
    assert batch.ended == "failed"
    assert said(batch) == "RX"  # nothing of what it said in that breath is believed
    assert rule(batch.arrivals[-1]) == f"driver-error: the driver failed: {word}"
    assert spans(batch.arrivals) == [(0, 3), (3, batch.size)]
    assert "by-hand" in str(feeding.words)


def test_a_driver_that_returns_bytes_it_never_got_is_not_believed() -> None:
    feeding = feeder()
    feeding._hold(Span(0, 4))
    feeding.offset = 4

    with pytest.raises(ValueError, match="bytes 3-5 into a second item, or never got them"):
        feeding._checked([kit.result(3, 5)])
    with pytest.raises(ValueError, match="empty or backward span"):
        feeding._checked([kit.result(3, 3)])


def test_nothing_can_be_fed_to_a_stream_that_has_ended() -> None:
    feeding = feeder()
    feeding.feed([Ended("end", "used up", kit.heard())])

    with pytest.raises(RuntimeError, match="has ended"):
        feeding.feed([chunk("R1\n")])


def test_what_is_held_at_the_end_is_refused_and_the_words_of_the_port_are_kept() -> None:
    feeding = feeder()
    feeding.feed([chunk("R1\nR3"), Ended("gone", "the cable was pulled", kit.heard(800))])

    batch = feeding.harvest()

    assert said(batch) == "RX"
    assert (batch.ended, feeding.words) == ("gone", "the cable was pulled")
    assert parse_entries(batch.script)[-1] == Mark(800, "lost")
    feeding.end("end", "again", kit.heard(900))
    assert (feeding.ended, feeding.words) == ("gone", "the cable was pulled")


def test_a_driver_that_fails_at_the_very_end_does_not_change_why_the_stream_ended() -> None:
    """Otherwise the session would go on with a port from which nothing can come any more."""
    feeding = feeder("fails at the end")
    feeding.feed([chunk("R1\nR3"), Ended("gone", "the cable was pulled", kit.heard(800))])

    batch = feeding.harvest()

    assert batch.ended == "gone"
    assert rule(batch.arrivals[-1]) == "driver-error: the driver failed: RuntimeError"
    assert feeding.words is not None
    assert feeding.words.startswith("the cable was pulled; driver by-hand: RuntimeError")


def test_bytes_that_may_be_missing_never_glue() -> None:
    feeding = feeder()
    feeding.feed([chunk("R3", 5), Missing(kit.heard(6)), chunk("7\n", 7)])

    batch = feeding.harvest()

    assert said(batch) == "XN"  # "7" alone, not R37
    assert rule(batch.arrivals[0]) == "unfinished: lost"
    assert spans(batch.arrivals) == [(0, 2), (2, 4)]
    assert not feeding.over


@pytest.mark.parametrize(
    ("last", "rule_of_it"),
    [
        (Missing(kit.heard(6)), "unfinished: bytes may be missing here"),
        (Ended("gone", "pulled", kit.heard(6)), "unfinished: the stream ended here"),
    ],
)
def test_bytes_that_a_decoder_does_not_let_go_of_are_refused_for_it(last: Entry, rule_of_it: str) -> None:
    """The law of `lost` is not left to the driver alone."""
    feeding = feeder("keeps what is lost")
    feeding.feed([chunk("R3"), last])
    if not feeding.over:
        feeding.feed([chunk("7\n", 7)])

    batch = feeding.harvest()

    assert said(batch) == ("X" if feeding.over else "XN")
    assert rule(batch.arrivals[0]) == rule_of_it
    assert feeding.held == 0


def test_silence_is_told_and_written_down() -> None:
    feeding = feeder()
    feeding.feed([chunk("R3", 5), Quiet(kit.heard(2005)), chunk("R4\n", 2100)])

    batch = feeding.harvest()

    assert said(batch) == "XR"
    assert parse_entries(batch.script) == [Bytes(5, b"R3"), Mark(2005, "quiet"), Bytes(2100, b"R4\n")]


def test_a_long_stream_rolls_over_at_the_next_rest_point(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "ROLL_OVER", 10)
    feeding = feeder()
    feeding.feed([chunk("R1\nR2\nR3\nR")])
    assert not feeding.over  # long enough, but in mid-frame
    feeding.feed([chunk("4\n")])

    batch = feeding.harvest()

    assert batch.ended == "rolled"
    assert said(batch) == "RRRR"


def test_a_stream_that_never_rests_rolls_over_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "ROLL_OVER", 10)
    monkeypatch.setattr(room, "ROLL_OVER_MOST", 20)
    feeding = feeder()
    feeding.feed([chunk("x" * 19)])
    assert not feeding.over
    feeding.feed([chunk("x")])

    batch = feeding.harvest()

    assert batch.ended == "rolled"
    assert spans(batch.arrivals) == [(0, 20)]


def test_what_no_record_can_be_made_of_is_refused_alone_and_ends_the_stream() -> None:
    """The results beside it are as good as before; what is held is refused, because its driver is not asked any more."""
    feeding = feeder()
    feeding.feed([chunk("N1\n")])
    feeding.harvest()
    feeding.feed([chunk("R1\nU\nR2", 7)])
    batch = feeding.harvest()

    instead = feeding.disbelieve(batch, 2, "no record can be made of what it said")

    assert instead.script.startswith(batch.script)
    good, refused, held = instead.arrivals
    assert (good, good.kind) == (batch.arrivals[0], "result")
    assert rule(refused) == "driver-error: no record can be made of what it said"
    assert rule(held) == "unfinished: its driver failed before this was whole"
    assert spans(instead.arrivals) == [(3, 6), (6, 8), (8, 10)]
    assert [each.n for each in instead.arrivals] == [1, 2, 3]
    assert (instead.ended, feeding.held) == ("failed", 0)


def test_what_cannot_be_recorded_at_the_end_of_a_port_is_still_its_end() -> None:
    feeding = feeder()
    feeding.feed([chunk("U\n"), Ended("gone", "pulled", kit.heard(9))])

    assert feeding.disbelieve(feeding.harvest(), 0, "no record").ended == "gone"


def test_replies_are_put_aside_until_somebody_has_committed() -> None:
    feeding = feeder("polls")
    feeding.open()
    feeding.feed([chunk("?\n")])

    assert feeding.replies == [b"HELLO", b"ACK"]
    assert feeding.urgent


@pytest.mark.parametrize(("lines", "urgent"), [("P\nN\n", False), ("P\nE\n", True), ("R1\n", True), ("R", False)])
def test_only_results_events_and_refusals_are_urgent(lines: str, urgent: bool) -> None:
    feeding = feeder()
    feeding.feed([chunk(lines)])

    assert feeding.urgent is urgent


def test_times_in_a_recording_never_run_backwards() -> None:
    """A wall clock that is set back while no boot clock is known."""
    feeding = Feeder(driver(), kit.STREAM, kit.heard())
    later, earlier = (Chunk(b"R1\n", Heard(kit.heard(ms).utc, None, None, synchronised=None)) for ms in (5000, 1000))

    feeding.feed([later, earlier])

    assert [entry.ms for entry in parse_entries(feeding.harvest().script)] == [5000, 5000]


def test_only_what_can_still_be_needed_is_kept_in_memory() -> None:
    feeding = feeder()
    for n in range(500):
        feeding.feed([chunk(f"R{n}\n", n)])
    feeding.feed([chunk("R7", 501)])

    assert bytes(feeding._raw) == b"R7"
    assert len(feeding._heard) <= 2


ENTRY = st.one_of(
    st.binary(max_size=12).map(chunk),
    st.sampled_from(["R1\n", "P\n", "N\n", "R", "E\n", "?\n"]).map(chunk),
    st.just(Quiet(kit.heard())),
    st.just(Missing(kit.heard())),
)


@settings(max_examples=100, deadline=None)
@given(entries=st.lists(ENTRY, max_size=30), harvests=st.sets(st.integers(0, 30)))
def test_at_any_moment_fed_is_in_items_plus_held_and_at_the_end_every_byte_is_in_one_item(
    entries: list[Entry], harvests: set[int]
) -> None:
    feeding = feeder()
    arrivals: list[Arrival] = []
    for n, entry in enumerate([*entries, Ended("end", "", kit.heard())]):
        feeding.feed([entry])
        if n in harvests:
            arrivals += feeding.harvest().arrivals
            assert sum(end - start for start, end in spans(arrivals)) + feeding.held == feeding.offset
        if feeding.over:
            break
    arrivals += feeding.harvest().arrivals

    edges = spans(arrivals)
    assert [start for start, _ in edges] == [0, *(end for _, end in edges)][: len(edges)]
    assert sum(end - start for start, end in edges) == feeding.offset
    assert [arrival.n for arrival in arrivals] == list(range(len(arrivals)))


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=300), cuts=st.lists(st.integers(0, 300), max_size=12))
@pytest.mark.parametrize("name", ["delimited-line", "label-block"])
def test_any_bytes_through_a_real_driver_give_the_same_arrivals_at_any_cuts(
    name: str, data: bytes, cuts: list[int]
) -> None:
    def arrived(places: Sequence[int]) -> list[Arrival]:
        feeding = Feeder(registry.find(name), kit.STREAM, kit.heard())
        edges = [0, *sorted({cut for cut in places if 0 < cut < len(data)}), len(data)]
        feeding.feed([chunk(data[a:b]) for a, b in pairwise(edges) if a < b])
        feeding.end("stopped", None, kit.heard())
        return list(feeding.harvest().arrivals)

    assert arrived(cuts) == arrived([]) == arrived(range(len(data)))


def test_what_is_refused_is_not_acknowledged() -> None:
    feeding = feeder("polls")
    feeding.feed([chunk("U1\n?2\n")])
    batch = feeding.harvest()
    assert feeding.replies == [b"ACK"]

    feeding.disbelieve(batch, batch.arrivals[0].n, "no record")

    assert feeding.replies == []
