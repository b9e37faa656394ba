"""A session is decided by its seed, and its truth says exactly which bytes are whose and what the line did to them."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.cable import Rest
from simulators.formats import FORMATS
from simulators.formats.groups import PAUSE_S
from simulators.formats.pairs import SILENCE_S
from simulators.line import FAULTS, Fault, FaultKind
from simulators.people import invent
from simulators.script import Cue, morning, preparation, with_faults
from simulators.session import Session, build, perform
from simulators.truth import Truth, as_lines, write_truth

if TYPE_CHECKING:
    from pathlib import Path

SEEDS = st.integers(-(2**40), 2**40)
NAMES = st.sampled_from(sorted(FORMATS))
HERON = invent(1, 1)[0]
READY = Cue(0, "ready")


def blow(at_s: int, fault: Fault | None = None, fraction: str = "0.95") -> Cue:
    return Cue(at_s, "breath", person=HERON, minute=at_s // 60, fraction=Decimal(fraction), fault=fault)


def streams(session: Session) -> list[bytes]:
    """The bytes of each opening of the port."""
    found = [b""]
    for step in session.steps:
        if step.what == "plug":
            found.append(b"")
        found[-1] += step.data
    return found


def own(session: Session, truth: Truth) -> bytes:
    """The bytes that the truth says are this message's."""
    assert truth.stream is not None
    return streams(session)[truth.stream][truth.start : truth.end]


def result(session: Session, n: int) -> Truth:
    return [truth for truth in session.truth if truth.says == "result"][n]


def wire(name: str, *cues: Cue) -> Session:
    return perform(FORMATS[name], 1, [READY, *cues])


@settings(max_examples=40, deadline=None)
@given(name=NAMES, seed=SEEDS, people=st.integers(1, 7), faults=st.lists(st.sampled_from(FAULTS), max_size=4))
def test_the_same_seed_gives_the_same_bytes_and_the_same_truth(
    name: str, seed: int, people: int, faults: list[FaultKind]
) -> None:
    first, second = (build(name, seed, people, faults=faults) for _ in range(2))
    assert first.steps == second.steps
    assert first.truth == second.truth


@settings(max_examples=40, deadline=None)
@given(name=NAMES, seed=SEEDS, other=SEEDS)
def test_another_seed_gives_other_bytes(name: str, seed: int, other: int) -> None:
    if seed != other:
        assert build(name, seed).data != build(name, other).data


@settings(max_examples=60, deadline=None)
@given(name=NAMES, seed=SEEDS, people=st.integers(1, 5), faults=st.lists(st.sampled_from(FAULTS), max_size=9))
def test_every_message_said_stands_in_the_stream_as_the_truth_says(
    name: str, seed: int, people: int, faults: list[FaultKind]
) -> None:
    """Spans lie in order without overlap; certain messages stand there letter by letter; the rest is accounted for."""
    session = build(name, seed, people, faults=faults)
    whole = build(name, seed, people)
    assert [truth.message for truth in session.truth] == list(range(len(whole.truth)))
    frames = [own(whole, truth) for truth in whole.truth]
    ends = dict.fromkeys(range(len(streams(session))), 0)
    for truth, frame, plain in zip(session.truth, frames, whole.truth, strict=True):
        assert replace(truth, fault=None, damaged=False, beside=False, copies=1, stream=0, start=0, end=0) == replace(
            plain, start=0, end=0
        ), "a fault of the line changes nothing of what was said"
        if truth.stream is None:
            assert truth.fault == "unplugged"
            assert truth.damaged
            continue
        assert truth.start is not None
        assert truth.end is not None
        gap = truth.start - ends[truth.stream]
        assert gap == 0 or (truth.fault == "garbage" and gap > 0)
        ends[truth.stream] = truth.end
        assert (own(session, truth) == frame * truth.copies) == (not truth.damaged)
    assert ends == {n: len(data) for n, data in enumerate(streams(session))}


@settings(max_examples=40, deadline=None)
@given(name=NAMES, seed=SEEDS, people=st.integers(1, 9), faults=st.lists(st.sampled_from(FAULTS), max_size=9))
def test_steps_are_in_order_of_time_and_unplug_and_plug_alternate(
    name: str, seed: int, people: int, faults: list[FaultKind]
) -> None:
    session = build(name, seed, people, faults=faults)
    times = [step.at_ms for step in session.steps]
    assert times == sorted(times)
    assert session.length_ms == times[-1]
    cable = [step.what for step in session.steps if step.what != "bytes"]
    assert cable == ["unplug", "plug"] * (len(cable) // 2)
    said = [message for step in session.steps for message in step.messages]
    assert said == [truth.message for truth in session.truth if truth.stream is not None]


def test_an_ordinary_morning_prepares_the_analyser_and_sees_everybody_in_turn() -> None:
    session = build("label-block", 7, 3)
    kinds = [truth.kind for truth in session.truth if truth.kind]
    assert kinds[:3] == ["room-air", "calibration-gas", "zero-gas"]
    assert set(kinds[3:]) == {"breath"}
    states = [truth.state for truth in session.truth if truth.state and truth.state != "measuring"]
    assert states == ["warming up", "warming up", "warming up", "ready", "calibration passed"]
    guests = [truth.person for truth in session.truth if truth.kind == "breath" and truth.attempt == 1]
    assert guests[:6] == ["Heron", "Tern", "Plover"] * 2
    minutes = [truth.minute for truth in session.truth if truth.person == "Tern" and truth.kind and truth.attempt == 1]
    assert minutes == [None, 20, 40, 60, 80, 100, 120, 140, 160]


def test_a_block_announces_every_measurement_and_shows_the_flow_before_the_result() -> None:
    said = [truth.state or truth.says for truth in wire("label-block", blow(60)).truth]
    assert said in (
        ["ready", "measuring", "flow", "flow", "result"],
        ["ready", "measuring", "flow", "flow", "flow", "result"],
    )
    assert [truth.says for truth in wire("delimited-line", blow(60)).truth] == ["state", "result"]


def test_oxygen_falls_from_room_air_towards_the_samples_while_breath_flows() -> None:
    truth = wire("label-block", blow(60)).truth
    flow = [Decimal(each.texts["oxygen"]) for each in truth if each.says == "flow"]
    assert flow == sorted(flow, reverse=True)
    assert Decimal("20.9") > flow[0] > flow[-1] > Decimal(truth[-1].texts["oxygen"])


def test_a_poor_sample_reads_near_to_room_air_and_is_taken_again() -> None:
    tried = [truth for seed in range(6) for truth in build("delimited-line", seed, 4).truth if truth.kind == "breath"]
    again = [n for n, truth in enumerate(tried) if truth.attempt == 2]
    assert again
    for n in again:
        poor, good = tried[n - 1], tried[n]
        assert (poor.person, poor.minute, poor.attempt) == (good.person, good.minute, 1)
        assert Decimal(poor.texts["oxygen"]) > 17 > Decimal(good.texts["oxygen"])


def test_the_texts_of_the_truth_are_the_texts_on_the_line() -> None:
    session = wire("delimited-line", blow(60))
    truth = result(session, 0)
    texts = truth.texts
    line = f"RES;{truth.number};{truth.clock};B;{texts['hydrogen']};{texts['methane']};{texts['oxygen']}\r\n"
    assert own(session, truth) == line.encode()


def test_a_value_that_cannot_be_measured_is_said_so() -> None:
    session = wire("label-block", replace(blow(60), not_measurable=("methane",)))
    assert result(session, 0).texts["methane"] == "----"
    assert b"CH4:----\r\n" in session.data


def test_a_fault_of_the_analyser_is_said_and_over_when_it_is_ready() -> None:
    session = wire("delimited-line", Cue(60, "fault", "E07 PUMP"), Cue(120, "ready"), blow(180))
    assert session.data.startswith(b"STA;READY;\r\nSTA;FAULT;E07 PUMP\r\nSTA;READY;\r\nRES;")


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize("kind", ["cut", "gap", "flip", "drop", "repeat-byte"])
def test_a_damaged_message_is_marked_and_so_is_the_one_after_it(name: str, kind: FaultKind) -> None:
    session = wire(name, blow(60, Fault(kind)), blow(120), Cue(180, "ready"), blow(240))
    hit = result(session, 0)
    assert (hit.fault, hit.damaged, hit.copies, hit.certain) == (kind, True, 0, False)
    after = session.truth[hit.message + 1]
    assert (after.fault, after.damaged, after.beside, after.certain) == (None, False, True, False)
    assert result(session, 2).certain


@pytest.mark.parametrize("name", FORMATS)
def test_garbage_comes_before_a_message_that_is_whole_but_not_certain(name: str) -> None:
    session = wire(name, blow(60, Fault("garbage", size=20)))
    hit = result(session, 0)
    assert (hit.damaged, hit.beside, hit.copies, hit.certain) == (False, True, 1, False)
    before = hit.message - 1
    assert hit.start == (session.truth[before].end or 0) + 20


@pytest.mark.parametrize("name", FORMATS)
def test_a_repeated_frame_is_there_twice_and_certain(name: str) -> None:
    session = wire(name, blow(60, Fault("repeat-frame")))
    hit = result(session, 0)
    both = own(session, hit)
    assert both[: len(both) // 2] == both[len(both) // 2 :]
    assert (hit.copies, hit.damaged, hit.certain) == (2, False, True)


def test_a_burst_comes_at_once_when_its_last_message_is_said() -> None:
    session = wire("delimited-line", blow(60, Fault("burst", size=3)), blow(120), blow(180), blow(240))
    together = next(step for step in session.steps if len(step.messages) > 1)
    assert together.messages == (1, 2, 3)
    assert together.at_ms == result(session, 2).at_ms
    assert [truth.fault for truth in session.truth] == [None, "burst", "burst", "burst", None]
    assert all(truth.certain for truth in session.truth)


def test_a_burst_of_frames_that_silence_ends_has_none_inside_and_none_of_it_is_certain() -> None:
    session = wire("gap-frame", blow(60, Fault("burst", size=3)), blow(120), blow(180), blow(240))
    together = next(step for step in session.steps if len(step.messages) > 1)
    assert together.rests == (Rest(len(together.data), SILENCE_S),)
    assert [truth.certain for truth in session.truth] == [True, False, False, False, True]
    assert [truth.copies for truth in session.truth] == [1, 1, 1, 1, 1]


def test_behind_every_frame_that_silence_ends_there_is_silence_and_behind_each_copy() -> None:
    session = wire("gap-frame", blow(60), blow(120, Fault("repeat-frame")), blow(180, Fault("unplug", at=10)))
    whole, twice, pulled = [step for step in session.steps if step.what == "bytes"][1:]
    assert list(whole.pieces) == [(whole.data, SILENCE_S)]
    half = len(twice.data) // 2
    assert list(twice.pieces) == [(twice.data[:half], SILENCE_S), (twice.data[half:], SILENCE_S)]
    assert list(pulled.pieces) == [(pulled.data, 0.0)]


def test_the_lines_of_a_message_come_one_after_another_with_pauses_between_them() -> None:
    session = wire("numbered-lines", blow(60))
    ready, breath = session.steps
    assert list(ready.pieces) == [(b"STATE READY\r\n", 0.0)]
    lines = breath.data.splitlines(keepends=True)
    assert len(lines) == 6
    assert list(breath.pieces) == [*((line, PAUSE_S) for line in lines[:-1]), (lines[-1], 0.0)]


def test_the_lines_of_messages_that_come_in_a_burst_come_at_once() -> None:
    session = wire("numbered-lines", blow(60, Fault("burst", size=2)), blow(120))
    assert session.steps[-1].rests == ()


def test_the_cable_is_pulled_when_the_last_line_before_it_has_come() -> None:
    session = wire("numbered-lines", blow(60, Fault("unplug", at=50)))
    sent, gone = session.steps[1:3]
    assert (gone.what, sent.data.count(b"\n")) == ("unplug", 3)
    assert gone.at_ms - sent.at_ms == 58 + 3 * 30  # 50 bytes of eleven bits at 9600, and three pauses of 30 ms


def test_an_identifier_keyed_in_is_sent_where_the_format_has_a_place_for_it() -> None:
    keyed = replace(blow(60), keyed="A-1017")
    session = wire("hl7-oru", keyed, blow(120))
    assert session.data.count(b"PID|1||A-1017\r") == 1
    assert [truth.subject for truth in session.truth] == [None, "A-1017", None]
    assert [truth.subject for truth in wire("label-block", keyed).truth if truth.kind] == [None]


def test_where_states_are_numbered_every_message_has_a_number_of_its_own() -> None:
    session = wire("hl7-oru", blow(60), Cue(100, "fault", "E07"), Cue(110, "ready"), blow(120))
    numbers = [segment.split(b"|")[9] for segment in session.data.split(b"\r") if b"MSH" in segment]
    assert len(set(numbers)) == len(numbers) == 5
    assert [truth.number for truth in session.truth if truth.kind] == [numbers[1].decode(), numbers[4].decode()]


def test_a_burst_that_the_morning_ends_before_it_is_full_still_comes() -> None:
    session = wire("delimited-line", blow(60, Fault("burst")), blow(120))
    assert session.steps[-1].messages == (1, 2)
    assert session.data.count(b"RES;") == 2


def test_a_cable_pulled_in_a_burst_ends_it() -> None:
    session = wire("delimited-line", blow(60, Fault("burst")), blow(120, Fault("unplug", at=10)), blow(600))
    assert [step.what for step in session.steps] == ["bytes", "bytes", "unplug", "plug", "bytes"]
    assert session.steps[1].messages == (1, 2)


@pytest.mark.parametrize("name", FORMATS)
def test_a_pulled_cable_cuts_one_message_and_loses_those_said_while_it_is_out(name: str) -> None:
    session = wire(name, blow(60, Fault("unplug", at=10, away_s=100)), blow(120), blow(240))
    hit, lost, next_one = (result(session, n) for n in range(3))
    assert own(session, hit) == own(wire(name, blow(60)), hit)[:10]
    assert (hit.fault, hit.damaged, hit.stream) == ("unplug", True, 0)
    assert (lost.fault, lost.copies, lost.stream, lost.start, lost.end) == ("unplugged", 0, None, None, None)
    assert (next_one.stream, next_one.certain) == (1, True), "nothing can be glued over the end of a stream"
    assert session.truth[lost.message + 1].start == 0


def test_a_cable_that_nobody_speaks_over_again_is_put_back_all_the_same() -> None:
    assert [step.what for step in wire("label-block", blow(60, Fault("unplug"))).steps][-2:] == ["unplug", "plug"]


def test_faults_meet_different_breaths_as_far_as_there_are_any() -> None:
    cues = morning(3, invent(3, 2))
    hit = [cue.fault.kind for cue in with_faults(cues, FAULTS, 3) if cue.fault]
    assert sorted(hit) == sorted(FAULTS)
    few = [READY, blow(60)]
    assert [cue.fault and cue.fault.kind for cue in with_faults(few, ["cut", "flip"], 3)] == [None, "cut"]


def test_the_analysers_clock_is_its_own_and_the_opening_is_in_utc() -> None:
    start = datetime(2027, 3, 1, 6, 0)  # noqa: DTZ001 - the analyser's clock knows no zone
    session = build("label-block", 7, 1, start=start)
    assert session.opened == datetime(2027, 3, 1, 5, 0, tzinfo=UTC)
    truth = result(session, 0)
    assert truth.clock is not None
    said = datetime.fromisoformat(truth.clock)
    off = (said - start).total_seconds() - truth.at_ms / 1000
    assert abs(off) <= 180
    assert all(
        (datetime.fromisoformat(each.clock) - start).total_seconds() - each.at_ms / 1000 == off
        for each in session.truth
        if each.clock
    ), "it is always off by the same"


def test_an_unknown_format_or_fault_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="no simulated format; there are: delimited-line, label-block"):
        build("carrier-pigeon", 1)
    with pytest.raises(ValueError, match="no fault of a line; there are: cut"):
        build("label-block", 1, faults=["melt"])  # type: ignore[list-item]  # what the types already forbid


@pytest.mark.parametrize(
    ("cues", "words"),
    [
        ([READY, blow(60), blow(70)], "begins before the breath before it has ended"),
        ([READY, Cue(60, "breath")], "nobody's; give the cue a person"),
    ],
)
def test_a_script_that_cannot_be_played_is_refused(cues: list[Cue], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        perform(FORMATS["label-block"], 1, cues)


def test_a_script_without_cues_is_a_silent_session() -> None:
    session = perform(FORMATS["label-block"], 1, [])
    assert (session.steps, session.truth, session.length_ms, session.data) == ((), (), 0, b"")


def test_the_preparation_is_over_before_the_first_breath() -> None:
    assert preparation()[-1].at_s < min(cue.at_s for cue in morning(1, invent(1, 3)) if cue.what == "breath")


def test_the_truth_is_written_as_one_object_a_message(tmp_path: Path) -> None:
    session = build("label-block", 7, 2, faults=["unplug", "flip"])
    path = tmp_path / "truth.jsonl"
    write_truth(session.truth, path)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert path.read_text(encoding="utf-8") == as_lines(session.truth)
    assert [Truth(**json.loads(line)) for line in lines] == list(session.truth)
