"""What one item becomes: a result one reading, an event one record of it, everything else nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from hashlib import sha256
from typing import TYPE_CHECKING, get_args
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from capture.assembly.settle import port_event, settle
from capture.record import ids, numbers, quantity, text, times
from capture.record.event import AnalyserEvent
from capture.record.examples.lines import OPENED, ZONE, cases
from capture.record.moment import (
    AnalyserState,
    Arrival,
    Bench,
    Commissioned,
    DriverUsed,
    Heard,
    Instrument,
    Moment,
    StreamHead,
)
from capture.record.reading import BreathReading
from drivers import contract
from drivers.contract import Clock, Noise, Progress, Quantity, Refused, Reply, Result, Span, Text

if TYPE_CHECKING:
    from .conftest import Make, Table

STREAM_ID = UUID("7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3")


def test_a_result_becomes_one_preliminary_reading_bound_to_nobody(table: Table, make: type[Make]) -> None:
    made = table.reading(make.result())
    assert (made.status, made.revision, made.breath_test, made.collected_at) == ("preliminary", 1, None, None)
    assert (made.kind, made.kind_from, made.origin) == ("breath", "analyser", "analyser")
    assert (made.id, made.measurement) == (ids.measurement("training", STREAM_ID, 768, 0),) * 2
    assert made.received_at == datetime(2026, 11, 24, 9, 31, 5, 123_000, UTC)
    assert made.measured_at is not None
    assert (made.measured_at.at, made.measured_at.from_) == (made.received_at, "received")
    assert (made.site, made.bench, made.purpose) == ("north-clinic", "bench-1", "training")
    assert made.analyser.model_dump() == {
        "id": "h2-a",
        "make": None,
        "model": None,
        "serial_number": "0007",
        "firmware": None,
    }


def test_a_reading_can_be_walked_back_to_its_bytes(table: Table, make: type[Make]) -> None:
    spans = (Span(900, 910), Span(768, 770))
    made = table.reading(make.result(spans=spans), nth=2)
    assert made.source.model_dump() == {
        "journal": UUID("0b6a4f0e-52c7-4a53-9d8e-6f1f0a3c7d21"),
        "seq": 912,
        "stream": STREAM_ID,
        "spans": ((900, 910), (768, 770)),
        "sha256": sha256(b"x" * 40).hexdigest(),
        "raw": None,
    }
    assert made.measurement == ids.measurement("training", STREAM_ID, 768, 2)


def test_an_unknown_kind_is_said_by_nobody(table: Table, make: type[Make]) -> None:
    made = table.reading(make.result(kind="unknown"))
    assert (made.kind, made.kind_from) == ("unknown", None)


def test_number_subject_clock_and_everything_else_named_are_kept_as_sent(table: Table, make: type[Make]) -> None:
    other = {"kind": Text("X", (Span(1, 2),)), "ambient_temperature": make.q("21.50", unit="°C")}
    made = table.reading(
        make.result(
            number=Text("0412", ()),
            subject=Text("K7", ()),
            clock=Clock("24/11/2026 10:31", datetime.fromisoformat("2026-11-24T10:31"), ()),
            other=other,
        )
    )
    assert (made.sample.analyser_number, made.sample.analyser_subject) == ("0412", "K7")
    assert made.analyser_clock is not None
    assert made.analyser_clock.model_dump() == {
        "text": "24/11/2026 10:31",
        "at": datetime(2026, 11, 24, 9, 31, tzinfo=UTC),
        "zone_from": "configuration",
        "offset_s": Decimal("-5.123"),
    }
    assert made.other["kind"] == "X"
    kept = made.other["ambient_temperature"]
    assert isinstance(kept, quantity.Quantity)
    assert (str(kept.value), kept.ucum) == ("21.50", "Cel")


def test_a_gas_that_was_never_measured_is_absent_and_oxygen_is_always_there(table: Table, make: type[Make]) -> None:
    made = table.reading(make.result(gases={"hydrogen": make.q("37")}, oxygen=None))
    assert list(made.gases) == ["hydrogen"]
    assert made.oxygen == quantity.not_measured("the analyser's format carries no oxygen")


def test_what_is_known_of_the_analyser_stands_in_the_reading(table: Table, make: type[Make]) -> None:
    since = datetime(2026, 11, 24, 7, 0, tzinfo=UTC)
    table.moment = replace(table.moment, analyser=AnalyserState(since, "operator", warm=True))
    assert table.reading(make.result()).analyser_state.model_dump() == {
        "on_since": {"at": since, "from": "operator"},
        "warm": True,
        "calibration": None,
        "gas_check": None,
    }
    table.moment = replace(table.moment, analyser=AnalyserState())
    assert table.reading(make.result()).analyser_state.model_dump() == {
        "on_since": None,
        "warm": None,
        "calibration": None,
        "gas_check": None,
    }


def test_a_result_leaves_the_analysers_state_alone(table: Table, make: type[Make]) -> None:
    assert table.settle(make.result()).analyser is None


@pytest.mark.parametrize(
    ("item", "kind"),
    [
        (Progress((Span(0, 1),), {"oxygen": Quantity(Decimal(17), "%", "sheet", "ok", "17", ())}), "progress"),
        (Refused((Span(0, 1),), "bad-checksum", "the check characters differ"), "refused"),
        (Noise((Span(0, 1),), "outside any frame"), "noise"),
        (Reply(b"\x06"), "noise"),
    ],
)
def test_progress_refused_and_noise_make_no_record(table: Table, item: contract.Item, kind: contract.Kind) -> None:
    outcome = table.settle(item, kind)  # type: ignore[arg-type]  # parametrised
    assert (list(outcome.records), outcome.analyser) == ([], None)


# --- events ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*contract.EVENTS, "seen-by-nobody"])
def test_an_event_becomes_one_final_record_of_it(table: Table, make: type[Make], name: str) -> None:
    made = table.event(make.event(name, "checksum", code="E4"), n=7)
    assert (made.name, made.about, made.origin, made.status) == (name, "analyser", "analyser", "final")
    assert made.id == ids.event("training", STREAM_ID, 768, 7)
    assert made.detail == {"code": "E4"}
    assert made.words.endswith(": code E4.")
    assert (made.happened_at.at, made.happened_at.from_) == (made.received_at, "received")
    assert (made.integrity, made.source.seq, made.source.spans) == ("checksum", 912, ((768, 808),))
    assert made.driver is not None


@pytest.mark.parametrize(
    ("detail", "words"),
    [
        ({}, "The analyser is warming up."),
        ({"text": "1800"}, "The analyser is warming up: 1800."),
        ({"text": "1800", "code": "E4"}, "The analyser is warming up: text 1800, code E4."),
    ],
)
def test_a_text_alone_is_said_without_the_name_it_has_in_the_sheet(
    table: Table, make: type[Make], detail: dict[str, str], words: str
) -> None:
    made = table.event(make.event("warming-up", "none", **detail))
    assert (made.words, made.detail) == (words, detail)


def test_an_item_that_breaks_the_drivers_contract_raises_and_makes_nothing(table: Table, make: type[Make]) -> None:
    with pytest.raises(ValidationError):
        table.settle(make.result(spans=(Span(-5, -1),)))
    with pytest.raises(AttributeError):
        table.settle(make.result(gases={"hydrogen": 37}))


def test_an_event_of_an_unchecked_frame_has_the_lines_proof_and_none_where_the_driver_is_silent(
    table: Table, make: type[Make]
) -> None:
    assert table.event(make.event("fault")).integrity is None
    assert table.event(make.event("fault", "none")).integrity == "none"
    table.moment = replace(table.moment, integrity="parity")
    assert table.event(make.event("fault", "none")).integrity == "parity"


NOW = datetime(2026, 11, 24, 9, 31, 5, 123_456, UTC)
BEFORE = AnalyserState(NOW - timedelta(hours=1), "operator", warm=True)


@pytest.mark.parametrize("kind", ["calibration", "gas_check"])
@pytest.mark.parametrize("result", ["passed", "failed"])
def test_the_last_calibration_and_the_last_check_with_gas_stand_in_later_readings_of_the_same_instrument(
    table: Table, make: type[Make], kind: str, result: str
) -> None:
    name = f"{kind.replace('_', '-')}-{result}"
    outcome = table.settle(make.event(name), "event")
    assert outcome.analyser is not None
    table.moment = replace(table.moment, analyser=outcome.analyser)
    record = outcome.records[0]
    assert isinstance(record, AnalyserEvent)
    known = {"at": record.received_at, "result": result, "event": record.id, "by": None}
    said = table.reading(make.result()).analyser_state.model_dump(include={"calibration", "gas_check"})
    assert said == {"calibration": None, "gas_check": None} | {kind: known}

    stream = table.moment.stream
    other = replace(stream, analyser=replace(stream.analyser, serial_number="0008"))
    table.moment = replace(table.moment, stream=other)
    said = table.reading(make.result()).analyser_state.model_dump(include={"calibration", "gas_check"})
    assert said == {"calibration": None, "gas_check": None}


def test_settle_tells_the_state_only_where_it_changed(table: Table, make: type[Make]) -> None:
    assert table.settle(make.event("ready"), "event").analyser == AnalyserState(
        warm=True, warm_at=times.in_utc(table.moment.heard.utc)
    )
    table.moment = replace(table.moment, analyser=replace(BEFORE, warm_at=times.in_utc(table.moment.heard.utc)))
    assert table.settle(make.event("ready"), "event").analyser is None
    assert table.settle(make.event("calibration-started"), "event").analyser is None


@pytest.mark.parametrize(("line", "detail"), [("9600 8N1", {"line": "9600 8N1"}), (None, {})])
def test_the_port_itself_has_events_that_no_bytes_carry(table: Table, line: str | None, detail: dict[str, str]) -> None:
    moment = table.moment
    stream = replace(moment.stream, line=line)
    made = port_event("gone", stream, moment.heard, "The cable was pulled.", 913, moment.bench)
    assert (made.name, made.about, made.origin, made.words) == ("gone", "port", "bench", "The cable was pulled.")
    assert made.id == ids.port_event("training", STREAM_ID, "gone")
    assert made.detail == {"port": "/dev/serial/by-path/example-port"} | detail
    assert (made.driver, made.integrity, made.happened_at.from_) == (None, None, "port")
    assert made.source.model_dump(exclude={"journal"}) == {
        "seq": 913,
        "stream": STREAM_ID,
        "spans": (),
        "sha256": None,
        "raw": None,
    }
    assert text.read(text.write(made)) == made


# --- for any item ---------------------------------------------------------------------------------------------------

TEXTS = st.text(max_size=6) | st.sampled_from(["----", "\udc80", "\x00", "°"])
SPANS = st.lists(st.builds(Span, st.integers(0, 999), st.integers(0, 999)), max_size=3).map(tuple)
QUANTITIES = st.builds(
    Quantity,
    value=st.none() | st.decimals(),
    unit=st.sampled_from(["ppm", "%"]) | TEXTS,
    unit_from=st.sampled_from(get_args(contract.UnitFrom)),
    state=st.sampled_from(get_args(contract.State)),
    text=TEXTS,
    spans=SPANS,
    comparator=st.none() | st.sampled_from(get_args(contract.Comparator)),
)
RESULTS = st.builds(
    Result,
    spans=SPANS,
    integrity=st.sampled_from(get_args(contract.Integrity)),
    gases=st.dictionaries(st.sampled_from(contract.GASES) | TEXTS, QUANTITIES, max_size=3),
    oxygen=st.none() | QUANTITIES,
    kind=st.sampled_from(get_args(contract.Kind)),
    number=st.none() | st.builds(Text, TEXTS, SPANS),
    clock=st.none() | st.builds(Clock, TEXTS, st.none() | st.datetimes(), SPANS),
    subject=st.none() | st.builds(Text, TEXTS, SPANS),
    other=st.dictionaries(TEXTS, st.builds(Text, TEXTS, SPANS) | QUANTITIES, max_size=2),
)
ITEMS = RESULTS | st.builds(
    contract.Event, SPANS, st.sampled_from(contract.EVENTS) | TEXTS, st.dictionaries(TEXTS, TEXTS, max_size=2)
)
STREAM = StreamHead(
    STREAM_ID,
    Instrument("h2-a"),
    "port",
    DriverUsed("any", "1", "0" * 64),
    "production",
    Heard(NOW, None, None, None),
)
MOMENT = Moment(STREAM.opened, Bench("s", "b", UUID(int=1), "Europe/Berlin"), STREAM, AnalyserState(), "none", 1)


@settings(max_examples=100, deadline=None)
@given(ITEMS)
def test_any_item_gives_a_record_that_comes_back_from_its_text(item: Result | contract.Event) -> None:
    arrival = Arrival(0, item, "result", item.spans, STREAM.opened, b"", 0)
    outcome = settle(arrival, MOMENT)
    assert outcome == settle(arrival, MOMENT)
    (made,) = outcome.records
    written = text.write(made)
    assert text.read(written) == made
    written.encode("utf-8")


@settings(max_examples=100, deadline=None)
@given(RESULTS)
def test_an_unreadable_value_never_becomes_a_number(result: Result) -> None:
    (made,) = settle(Arrival(0, result, "result", result.spans, STREAM.opened, b"", 0), MOMENT).records
    assert isinstance(made, BreathReading)
    sent = [*result.gases.values(), *([result.oxygen] if result.oxygen else [])]
    kept = [*made.gases.values(), *([made.oxygen] if result.oxygen else [])]
    for given_one, made_one in zip(sent, kept, strict=True):
        if given_one.value is None or given_one.state not in ("ok", "below", "above"):
            assert made_one.value is None
        assert made_one.value is None or made_one.value.as_tuple() == given_one.value.as_tuple()  # type: ignore[union-attr]  # not None: above


@settings(max_examples=100, deadline=None)
@given(st.from_regex(r"-?(0|[1-9][0-9]{0,12})(\.[0-9]{1,12})?", fullmatch=True))
def test_every_digit_of_the_frames_text_stands_in_the_json_text(sent: str) -> None:
    made = Quantity(Decimal(sent), "ppm", "sheet", "ok", sent, (Span(0, len(sent)),))
    result = Result((Span(0, len(sent)),), "crc", {"hydrogen": made}, None)
    (record,) = settle(Arrival(0, result, "result", result.spans, STREAM.opened, b"", 0), MOMENT).records
    written = text.write(record)
    assert f'"hydrogen":{{"value":{sent},"unit":"ppm"' in written
    assert f'"text":"{sent}"' in written
    assert numbers.plain(Decimal(numbers.loads(written)["gases"]["hydrogen"]["value"])) == sent


# --- the golden records are what this room makes --------------------------------------------------------------------

PRELIMINARY = [name for name, one in cases().items() if isinstance(one, BreathReading) and one.status == "preliminary"]


def back(one: quantity.Quantity) -> Quantity:
    """The driver's quantity that a record's came from."""
    assert one.unit is not None
    assert one.unit_from is not None
    assert one.unit_from != "operator"
    assert one.text is not None
    spans = tuple(Span(*span) for span in one.spans)
    return Quantity(one.value, one.unit, one.unit_from, one.state, one.text, spans, one.comparator)


@pytest.mark.parametrize("case", PRELIMINARY)
def test_a_golden_reading_is_what_settle_makes_of_its_line(case: str) -> None:
    golden = cases()[case]
    assert isinstance(golden, BreathReading)
    assert golden.driver is not None
    clock = golden.analyser_clock
    number = golden.sample.analyser_number
    spans = tuple(Span(*span) for span in golden.source.spans)
    result = Result(
        spans,
        "none",
        {name: back(one) for name, one in golden.gases.items()},
        back(golden.oxygen) if golden.oxygen.text is not None else None,
        golden.kind,
        Text(number, ()) if number else None,
        Clock(clock.text, datetime.strptime(clock.text, "%d/%m/%Y %H:%M"), ()) if clock else None,  # noqa: DTZ007 - local
    )
    heard = Heard(golden.received_at, golden.clock.boot, golden.clock.since_boot_ms, golden.clock.synchronised)
    bench = Bench(golden.site, golden.bench, golden.source.journal, ZONE)
    used = DriverUsed(golden.driver.name, golden.driver.version, golden.driver.sha256)
    stream = StreamHead(
        STREAM_ID,
        Instrument("h2-a", serial_number="0007"),
        "port",
        used,
        golden.purpose,
        replace(heard, utc=OPENED),
    )
    commissioned = Commissioned(golden.received_at, "ab", used.sha256, "0007")
    known = AnalyserState(warm=True, serial_number="0007", commissioned=commissioned)
    moment = Moment(heard, bench, stream, known, "none", golden.source.seq)
    (made,) = settle(Arrival(0, result, "result", spans, heard, b"", 0), moment).records
    # the digest is of the line's bytes, which this test does not have; the version is that of the day
    digest = {"source": golden.source, "producer": golden.producer}
    assert made.model_copy(update=digest) == golden
    assert made.source.model_copy(update={"sha256": golden.source.sha256}) == golden.source
