"""Events that no driver decoded: named by their act, in words for people, with who says so."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import get_args

import pytest

from capture.assembly import cylinder, told
from capture.record import ids, parts, text, typed
from capture.record.event import AnalyserEvent
from capture.record.examples import examples
from capture.record.examples.noted import CHECKED
from capture.record.moment import Bench, Heard, Instrument, Purpose
from capture.record.words import EVENTS
from tests import kit

HEAD = kit.head()


def made(name: str = "note", act: int = 41, nth: int = 0, purpose: Purpose = "training") -> AnalyserEvent:
    return told.event(
        name,
        words="The filter was changed",
        bench=kit.BENCH,
        analyser=HEAD.analyser,
        purpose=purpose,
        heard=kit.heard(),
        act=act,
        seq=7,
        nth=nth,
    )


@pytest.mark.parametrize("name", EVENTS)
def test_an_event_of_the_bench_is_a_record_that_comes_from_no_bytes(name: str) -> None:
    event = made(name)
    assert (event.name, event.origin, event.about, event.status, event.revision) == (
        name,
        "bench",
        "analyser",
        "final",
        1,
    )
    assert (event.words, event.driver, event.integrity) == ("The filter was changed.", None, None)
    assert (event.received_at, event.happened_at) == (kit.BEGAN, parts.At(at=kit.BEGAN, from_="bench"))
    assert event.source.model_dump() == {
        "journal": kit.JOURNAL,
        "seq": 7,
        "stream": None,
        "spans": (),
        "sha256": None,
        "raw": None,
    }
    assert text.read(text.write(event)) == event


def test_the_same_act_names_the_same_event_and_any_other_another() -> None:
    purposes: tuple[Purpose, ...] = get_args(Purpose)
    named = {made(act=act, nth=nth, purpose=purpose).id for act in (41, 42) for nth in (0, 1) for purpose in purposes}
    assert len(named) == 8
    assert made().id == made(name="exchanged").id == ids.act_event("training", kit.JOURNAL, 41)
    other = replace(kit.BENCH, journal=kit.STREAM)
    assert ids.act_event("training", other.journal, 41) != made().id
    assert made().id not in {ids.event("training", kit.STREAM, 41, 0), ids.port_event("training", kit.STREAM, "note")}


def test_what_a_person_says_of_an_earlier_time_keeps_both_times() -> None:
    before = kit.BEGAN - timedelta(minutes=40)
    event = told.event(
        "gas-check-passed",
        words="Checked.",
        bench=kit.BENCH,
        analyser=HEAD.analyser,
        purpose="training",
        heard=kit.heard(),
        act=1,
        seq=1,
        origin="operator",
        detail={"hydrogen_certified": typed.amount("50.0 ppm", "x"), "lot": "A\udc80"},
        happened_at=before,
        driver=HEAD.driver,
        stream=HEAD.id,
    )
    assert (event.words, event.origin) == ("Checked.", "operator")
    assert event.happened_at == parts.At(at=before, from_="operator")
    assert event.received_at == kit.BEGAN
    assert event.detail["lot"] == "A\\udc80"
    assert event.driver is not None
    assert (event.driver.name, event.source.stream) == ("by-hand", HEAD.id)
    assert '"hydrogen_certified":{"value":50.0,"unit":"ppm","ucum":"[ppm]","unit_from":"operator"' in text.write(event)


def test_a_golden_event_is_what_is_told_of_that_act() -> None:
    golden = examples()["event-gas-check-passed"]
    assert isinstance(golden, AnalyserEvent)
    told_late = told.event(
        golden.name,
        words=golden.words,
        bench=Bench(golden.site, golden.bench, golden.source.journal),
        analyser=Instrument("h2-a", serial_number="0007"),
        purpose=golden.purpose,
        heard=Heard(golden.received_at, golden.clock.boot, golden.clock.since_boot_ms, golden.clock.synchronised),
        act=61,
        seq=golden.source.seq,
        origin="operator",
        detail={**cylinder.read(CHECKED), "by": "ab"},
        happened_at=golden.happened_at.at,
    )
    assert told_late.model_copy(update={"producer": golden.producer}) == golden
