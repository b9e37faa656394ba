"""One analyser at the bench: how streams end and begin, and what a second start makes of the first."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

from capture.acts import hear
from capture.daemon import feeder as feeder_room
from capture.daemon import session as room
from capture.daemon.feeder import Feeder
from capture.errors import PortGone
from capture.ports.base import Ended, Opened
from tests import kit
from tests.daemon.hands import ScriptedPort, Step, chunk, driver

if TYPE_CHECKING:
    from capture.journal.store import Tx
    from capture.ports.base import Entry
    from tests.daemon.one_bench import Bench


async def test_a_port_that_goes_comes_back_as_a_new_stream_and_nothing_is_glued(bench: Bench) -> None:
    gone: list[Entry] = [chunk("R1\nR3"), Ended("gone", "pulled", kit.heard(50))]
    bench.ports += [
        ScriptedPort(bench.clock, [gone], finite=False),
        PortGone("/dev/ttyUSB7 is not there; plug it in"),
        ScriptedPort(bench.clock, [[chunk("7\nR2\n", 90)]], opened=Opened(kit.heard(80))),
    ]

    await bench.session().run()

    assert bench.items(1) == [("result", 0, 3), ("refused", 3, 5)]
    assert bench.items(2) == [("noise", 0, 2), ("result", 2, 5)]
    assert (bench.ended(1), bench.ended(2)) == ("gone", "end")
    assert [record.split('"name":"')[1].split('"')[0] for record in bench.records("event")] == ["appeared", "gone"]


@pytest.mark.parametrize("line", ["!", "2", "U"])
async def test_a_driver_that_breaks_costs_its_breath_and_a_new_stream_never_a_byte(bench: Bench, line: str) -> None:
    await bench.run([chunk("R1\n"), chunk(f"R2\n{line}\nN"), chunk("x\n"), chunk("R4\n")], [chunk("R5\n")])

    received = sum(size for (size,) in bench.store.call(lambda tx: tx.all("SELECT size FROM chunks")))
    covered = [(no, start, end) for no in (1, 2) for _, start, end in bench.items(no)]
    assert received == len(f"R1\nR2\n{line}\nNx\nR4\nR5\n")
    assert sum(end - start for _, start, end in covered) == received
    assert bench.ended(1) == "failed"
    assert sum(str(detail).startswith("driver-error") for detail in bench.details(1)) == 1
    assert bench.items(2)[-1][0] == "result"


async def test_a_port_that_ends_while_its_driver_breaks_is_not_waited_for(bench: Bench) -> None:
    async with asyncio.timeout(20):
        await bench.run([chunk("R1\nU\n"), Ended("end", "used up", kit.heard(9))])

    assert bench.ended() == "end"
    assert bench.details() == [None, "driver-error: no record can be made of what it said (ValidationError)"]


async def test_a_long_stream_goes_on_as_a_new_one_without_losing_a_byte(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feeder_room, "ROLL_OVER", 6)

    await bench.run([chunk("R1\nR2\n"), chunk("R3\nR4\n")], [chunk("R5\n")])

    assert [bench.ended(no) for no in (1, 2, 3)] == ["rolled", "rolled", "end"]
    assert [len(bench.items(no)) for no in (1, 2, 3)] == [2, 2, 1]


async def test_a_stop_waits_for_the_end_of_a_frame(bench: Bench) -> None:
    session = bench.session()

    def stop_now() -> list[Entry]:
        session.stop()
        return []

    bench.ports.append(ScriptedPort(bench.clock, [[chunk("R1")], stop_now, [chunk("2\n")]], finite=False))
    await session.run()

    assert bench.items() == [("result", 0, 4)]
    assert (bench.ended(), session.state) == ("stopped", "stopped")


async def test_a_stop_stores_all_that_was_read_however_much_it_is(bench: Bench) -> None:
    session = bench.session()

    def stop_now() -> list[Entry]:
        session.stop()
        return [chunk("R1\n")]

    more: list[Step] = [[chunk(f"R{n}\n" * 300)] for n in range(2, 9)]
    bench.ports.append(ScriptedPort(bench.clock, [stop_now, *more], finite=False))
    await session.run()

    assert len(bench.items()) == 1 + 7 * 300
    assert bench.ended() == "stopped"


async def test_a_stop_does_not_wait_for_ever_and_refuses_what_is_held(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "STOP_AT_REST_S", 0.0)
    session = bench.session()

    def stop_now() -> list[Entry]:
        session.stop()
        return [chunk("R1")]

    bench.ports.append(ScriptedPort(bench.clock, [stop_now], finite=False))
    await session.run()

    assert bench.items() == [("refused", 0, 2)]
    assert bench.ended() == "stopped"


async def test_what_was_read_before_a_stop_is_stored_even_behind_a_driver_that_breaks(bench: Bench) -> None:
    session = bench.session()

    def stop_now() -> list[Entry]:
        session.stop()
        return [chunk("!\n"), chunk("R1\n"), chunk("R2\n")]

    bench.ports.append(ScriptedPort(bench.clock, [stop_now], finite=False))
    await session.run()

    assert bench.items(1) == [("refused", 0, 2)]
    assert bench.items(2) == [("result", 0, 3), ("result", 3, 6)]


async def test_a_second_start_closes_an_interrupted_stream_and_refuses_what_it_held(bench: Bench) -> None:
    def crashed(tx: Tx) -> None:
        hear.begin(tx, kit.BENCH, kit.head(), "by hand", live=True)
        before = Feeder(driver(), kit.STREAM, kit.heard())
        before.feed([chunk("R1\nR2")])
        hear.hear(tx, kit.BENCH, before.harvest())

    bench.store.call(crashed)
    bench.clock.ms = 60_000

    await bench.run([chunk("7\n", 60_000)], used=driver())

    assert bench.items(1) == [("result", 0, 3), ("refused", 3, 5)]
    assert bench.details(1)[-1] == "unfinished: lost"
    assert bench.ended(1) == "interrupted"
    assert bench.items(2) == [("noise", 0, 2)]


async def test_a_second_start_with_another_driver_believes_nothing_that_it_says_of_old_bytes(bench: Bench) -> None:
    def crashed(tx: Tx) -> None:
        hear.begin(tx, kit.BENCH, kit.head(), "by hand", live=True)
        before = Feeder(driver(), kit.STREAM, kit.heard())
        before.feed([chunk("R1\nR2")])
        hear.hear(tx, kit.BENCH, before.harvest())

    bench.store.call(crashed)

    await bench.run([chunk("R9\n", 60_000)], used=driver(sha256="1" * 64))

    assert bench.details(1) == [None, "unfinished: the driver of that time is not there any more"]
    assert bench.items(2) == [("result", 0, 3)]


async def test_a_reply_that_cannot_be_written_ends_the_stream_behind_all_that_was_read_of_it(bench: Bench) -> None:
    """Nothing of one opening may come to stand before the first byte of the next: `R9` and `9` make no `R99`."""

    def gone(_: bytes) -> None:
        raise PortGone("the port has gone")

    whole = "R12\n" * 400 + "R9"
    bench.ports += [
        ScriptedPort(bench.clock, [[chunk("?1\n" + whole)]], finite=False, before_write=gone),
        ScriptedPort(bench.clock, [[chunk("9\nR5\n", 90)]], opened=Opened(kit.heard(80))),
    ]

    await bench.session(driver("polls")).run()

    assert bench.ended(1) == "gone"
    assert sum(kind == "result" for kind, _, _ in bench.items(1)) == 400
    assert bench.items(1)[-1] == ("refused", len("?1\n" + whole) - 2, len("?1\n" + whole))
    assert bench.items(2) == [("noise", 0, 2), ("result", 2, 5)]


async def test_what_a_failure_of_our_own_left_unstored_is_never_glued_to_the_next_opening(bench: Bench) -> None:
    session = bench.session()
    session._behind = [chunk("R9")]
    bench.ports.append(ScriptedPort(bench.clock, [[chunk("9\nR5\n")]]))

    await session.run()

    assert bench.items(1) == [("noise", 0, 2), ("result", 2, 5)]
    assert "missing" in bench.script(1)
