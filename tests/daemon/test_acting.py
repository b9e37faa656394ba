"""Acts as the control socket asks for them: arguments in their kinds, who acts, and what the service adds."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest

from capture.acts import breaths
from capture.config import parse
from capture.daemon import acting, control, watch
from capture.errors import JournalFull, NotFound, UsageError
from tests import kit
from tests.acts.ward import LACTOSE, Ward

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.config import Analyser
    from capture.journal.store import Store
    from capture.record.moment import Heard, StreamHead

CONFIGURATION = """\
[bench]
site = "north-clinic"
name = "bench-1"
data = "/srv/data"
timezone = "Europe/Zurich"
initials = {initials}

[[analyser]]
id = "h2-a"
port = "/dev/ttyUSB7"
driver = "by-hand"
reservation_s = 60
expect_within_s = 30

[[analyser]]
id = "h2-b"
port = "/dev/ttyUSB8"
driver = "by-hand"
"""


@dataclass
class Receiving:
    """What of a session an act is told."""

    analyser: Analyser
    head: StreamHead | None
    state: str = "receiving"
    purpose: str = "training"


@dataclass
class Stepped:
    """A clock that stands where the test puts it."""

    ms: int = 0
    pace: float = 1.0
    invented: bool = False

    def now(self) -> Heard:
        return kit.heard(self.ms)


@dataclass
class Desk:
    """Somebody who asks the service for acts."""

    act: acting.Acting
    clock: Stepped
    store: Store

    def do(self, name: str, /, **given: Any) -> Any:
        return asyncio.run(self.act.act(name, given))

    def open(self, label: str = "K7", **given: Any) -> Any:
        said = {"protocol": "lactose", "subject": "P-1", "label": label, "by": "AB", "acknowledged": True}
        return self.do("test-open", **{**said, **given})


@pytest.fixture
def desk_of(begun: Store) -> Callable[..., Desk]:
    def made(*, initials: bool = False, receiving: int = 1) -> Desk:
        config = parse(CONFIGURATION.format(initials=str(initials).lower()), Path("tidewire.toml"))
        heads = [kit.head(), None]
        sessions = [
            Receiving(analyser, head, "receiving" if place < receiving else "gone")
            for place, (analyser, head) in enumerate(zip(config.analysers, heads, strict=True))
        ]
        clock = Stepped()
        act = acting.Acting(begun, kit.BENCH, config, clock, cast("Any", sessions))
        return Desk(act, clock, begun)

    return made


@pytest.fixture
def desk(desk_of: Callable[..., Desk]) -> Desk:
    return desk_of()


@pytest.mark.parametrize(
    ("name", "given", "words"),
    [
        ("test-dose", {"test": "K7", "colour": "red"}, "it has no 'colour'"),
        ("test-dose", {"test": 7}, "must be a text"),
        ("test-dose", {"test": "K7", "started": "2026-11-24T10:30"}, "must have an offset"),
        ("test-dose", {"test": "K7", "started": "soon"}, "started"),
        ("test-dose", {}, "missing a required argument: 'test'"),
        ("test-reserve", {"sample": "K7-60", "replace": "yes"}, "must be true or false"),
        ("test-reserve", {}, "say which sample"),
        ("test-release", {"id": 3}, "say of which analyser"),
        ("test-release", {"analyser": "h2-a", "id": True}, "must be a whole number"),
        ("test-open", {"subject": "P-1"}, "needs a protocol"),
        ("test-open", {"protocol": "lactos", "subject": "P-1"}, "lactose"),
        ("commission", {"analyser": "h2-a", "shown": ["x"]}, "must be a list of lists"),
        ("note", {"analyser": "h2-a", "name": "ready", "detail": []}, "must be an object"),
        ("test-note", {"test": "K7", "text": "x", "by": "  "}, "initials are"),
    ],
)
def test_what_is_not_an_argument_is_refused_with_its_name(
    desk: Desk, name: str, given: dict[str, Any], words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        desk.do(name, **given)


def test_initials_and_the_user_of_the_system_are_both_kept(desk: Desk) -> None:
    control.ASKER.set("ward-user")
    desk.open()

    row = desk.store.call(lambda tx: tx.one("SELECT who, asker FROM acts WHERE kind = 'test-opened'"))

    assert row == ("AB", "ward-user")


def test_a_bench_that_asks_for_initials_takes_no_act_without(desk_of: Callable[..., Desk]) -> None:
    desk = desk_of(initials=True)
    desk.open()

    with pytest.raises(UsageError, match="--by INITIALS"):
        desk.do("test-dose", test="K7")
    with pytest.raises(UsageError, match="a scan states no initials"):
        asyncio.run(desk.act.scanned("desk", "K7-B1", kit.heard()))


def test_a_protocol_that_changed_since_it_was_read_opens_nothing(desk: Desk) -> None:
    with pytest.raises(UsageError, match="was changed this moment"):
        desk.open(sha256="0" * 64)

    assert desk.open(sha256=LACTOSE.sha256)["said"]


def test_a_protocol_is_described_for_whoever_opens_a_test(desk: Desk) -> None:
    told = asyncio.run(desk.act.describe(name="lactose"))

    assert told["cautions"] == [each.text for each in LACTOSE.cautions]
    assert told["sha256"] == LACTOSE.sha256


def test_a_reservation_stands_as_long_as_its_analysers_table_says_also_where_none_is_named(desk: Desk) -> None:
    desk.open()

    made = desk.do("test-reserve", sample="K7-B1", reason="not known")["reservation"]

    assert (made["analyser"], made["expires_ms"], made["expect_within_ms"]) == ("h2-a", 60_000, 30_000)
    assert desk.act.reserved.is_set()


def test_only_ones_own_reservation_is_taken_back(desk: Desk) -> None:
    desk.open()
    made = desk.do("test-reserve", sample="K7-B1", reason="r")["reservation"]

    with pytest.raises(NotFound, match="over already"):
        desk.do("test-release", analyser="h2-a", id=made["id"] + 1)

    assert "K7-B1 is void" in desk.do("test-release", analyser="h2-a", id=made["id"])["said"][0]


def test_a_scan_reserves_the_analyser_that_stands_behind_it(desk: Desk) -> None:
    desk.open()

    made = asyncio.run(desk.act.scanned("desk", "k7-b1 @h2-a", kit.heard(5)))["reservation"]

    assert (made["analyser"], made["place"]) == ("h2-a", "K7-B1")
    with pytest.raises(NotFound, match="h2-b"):
        asyncio.run(desk.act.scanned("desk", "k7-b1@h2-b", kit.heard(5)))


def test_an_analyser_that_is_not_configured_is_named_with_those_that_are(desk: Desk) -> None:
    with pytest.raises(NotFound, match="h2-a, h2-b"):
        desk.do("note", analyser="h2-c", name="ready")
    with pytest.raises(NotFound, match="nothing was received from it"):
        desk.do("commission", analyser="h2-b", shown=[], gas_reading="1", detail={}, by="AB")


def test_what_would_be_refused_is_refused_without_anything_left_of_what_would_not(desk: Desk) -> None:
    def acts() -> Any:
        return desk.store.call(lambda tx: tx.one("SELECT count(*), (SELECT count(*) FROM records) FROM acts"))

    given = {"protocol": "lactose", "subject": "P-1", "label": "K7", "by": "AB", "acknowledged": True}
    before = acts()
    assert asyncio.run(desk.act.would("test-open", given)) == {}
    assert acts() == before

    desk.open("K7")
    with pytest.raises(UsageError, match="K7 is the label of an open test"):
        asyncio.run(desk.act.would("test-open", given))
    with pytest.raises(UsageError, match="approved by nobody"):
        asyncio.run(desk.act.would("test-open", {**given, "label": "K8", "purpose": "production"}))


def test_nothing_is_done_for_production_on_an_invented_clock(desk: Desk) -> None:
    desk.clock.invented = True

    with pytest.raises(UsageError, match="for training only"):
        desk.open(purpose="production")
    desk.open()


@pytest.mark.parametrize(("pace", "pause"), [(1.0, 1.0), (10.0, 0.1), (480.0, 0.05), (1_000_000.0, 0.05)])
def test_however_fast_a_clock_runs_the_store_is_not_asked_more_often_than_twenty_times_a_second(
    pace: float, pause: float, desk: Desk, monkeypatch: pytest.MonkeyPatch, begun: Store
) -> None:
    pauses = []

    async def pausing(seconds: float) -> None:
        pauses.append(seconds)
        raise asyncio.CancelledError

    monkeypatch.setattr(asyncio, "sleep", pausing)
    desk.clock.pace = pace
    with pytest.raises(asyncio.CancelledError):
        asyncio.run(watch.watch(begun, kit.BENCH, desk.clock, _set()))

    assert pauses == [pause]


def test_what_time_does_to_reservations_is_done_on_the_boot_clock(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, begun: Store
) -> None:
    monkeypatch.setattr(watch, "LOOK_EVERY_S", 0.001)
    monkeypatch.setattr(watch, "PAUSE_S", 0.001)
    desk.open()
    desk.do("test-reserve", sample="K7-B1", reason="r")

    async def watched(until: str) -> None:
        looking = asyncio.create_task(watch.watch(begun, kit.BENCH, desk.clock, desk.act.reserved))
        async with asyncio.timeout(5):
            while not begun.call(lambda tx: tx.one("SELECT 1 FROM acts WHERE kind = ?", until)):  # noqa: ASYNC110 - the store is no task
                await asyncio.sleep(0.002)
        looking.cancel()

    desk.clock.ms = 31_000
    asyncio.run(watched("result-overdue"))
    assert not begun.call(lambda tx: tx.one("SELECT 1 FROM acts WHERE kind = 'reservation-ended'"))
    desk.clock.ms = 70_000
    desk.act.reserved = _set()
    asyncio.run(watched("reservation-ended"))


def _set() -> asyncio.Event:
    event = asyncio.Event()
    event.set()
    return event


def test_what_a_stop_left_reserved_is_void_after_the_next_start(desk: Desk, begun: Store) -> None:
    asyncio.run(watch.restart(begun, kit.BENCH, desk.clock))
    desk.open()
    desk.do("test-reserve", sample="K7-B1", reason="r")

    asyncio.run(watch.restart(begun, kit.BENCH, replace(desk.clock, ms=10)))

    ward = Ward(begun)
    assert ward.test("K7").points[0].attempts == ()
    row = begun.call(
        lambda tx: tx.one("SELECT json_extract(body, '$.happened') FROM acts WHERE kind = 'reservation-ended'")
    )
    assert row == ("restarted",)


def test_what_fails_while_reservations_are_watched_leaves_them_to_whoever_watches_next(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, begun: Store
) -> None:
    def broken(*_: object) -> list[str]:
        raise ZeroDivisionError

    monkeypatch.setattr(breaths, "expire", broken)
    reserved = _set()

    with pytest.raises(ZeroDivisionError):
        asyncio.run(watch.watch(begun, kit.BENCH, desk.clock, reserved))

    assert reserved.is_set()


def test_a_full_disk_is_waited_for(desk: Desk, monkeypatch: pytest.MonkeyPatch, begun: Store) -> None:
    monkeypatch.setattr(watch, "LOOK_EVERY_S", 0.001)
    monkeypatch.setattr(watch, "PAUSE_S", 0.001)
    tried = []

    def full(*_: object) -> list[str]:
        tried.append(1)
        if len(tried) < 3:
            raise JournalFull("the disk is full")
        return []

    monkeypatch.setattr(breaths, "expire", full)

    async def watched() -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(5):
                looking = asyncio.create_task(watch.watch(begun, kit.BENCH, desk.clock, _set()))
                while len(tried) < 3:  # noqa: ASYNC110 - the store is no task
                    await asyncio.sleep(0.001)
                looking.cancel()

    asyncio.run(watched())

    assert len(tried) == 3
