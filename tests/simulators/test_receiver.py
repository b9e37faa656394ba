"""The receiver of the kit, message by message: what it keeps, drops, leaves out and refuses, and which gaps are seen."""

from __future__ import annotations

import ast
import io
import json
import sqlite3
import sys
import tokenize
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from simulators import receiver as room
from simulators.holdings import Gap, gaps, newest, read_folder
from simulators.receiver import Receiver

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

GOLDEN = Path(__file__).parents[1] / "record" / "golden"
PRODUCTION = (GOLDEN / "reading-production.json").read_bytes().rstrip(b"\n")
TRAINING = (GOLDEN / "reading-breath.json").read_bytes().rstrip(b"\n")
EPOCH = "eeeeeeee-2222-4333-8444-555555555555"
LATER = "ffffffff-2222-4333-8444-555555555555"
TOPIC = "tidewire/1/north-clinic/bench-1/h2-a/reading"


@pytest.fixture
def receiver(tmp_path: Path) -> Iterator[Callable[..., Receiver]]:
    """`receiver("a")`: a receiver with the store of that name."""
    made: list[Receiver] = []

    def make(name: str = "far", **wishes: Any) -> Receiver:
        made.append(Receiver(str(tmp_path / f"{name}.db"), **wishes))
        return made[-1]

    yield make
    for each in made:
        each.store.close()


def said(number: int, epoch: str = EPOCH) -> dict[str, str]:
    return {"delivery": str(number), "epoch": epoch}


def other(body: bytes, **changes: Any) -> bytes:
    return json.dumps(json.loads(body) | changes).encode()


def test_it_is_short_enough_to_be_read_and_needs_nothing_of_ours() -> None:
    source = Path(room.__file__).read_text(encoding="utf-8")
    tree = ast.parse(source)
    words = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            words |= set(range(node.body[0].lineno, (node.body[0].end_lineno or 0) + 1))
    silent = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}
    code = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in silent:
            code |= set(range(token.start[0], token.end[0] + 1))
    imported = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    imported |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}

    assert len(code - words) < 60
    assert {name.partition(".")[0] for name in imported} - {"paho"} <= sys.stdlib_module_names


def test_a_record_is_kept_as_the_bytes_that_came(receiver: Callable[..., Receiver]) -> None:
    far = receiver()

    assert far.take(TOPIC, PRODUCTION, said(1)) == "new"
    assert far.store.execute("SELECT topic, body FROM records").fetchall() == [(TOPIC, PRODUCTION)]


@pytest.mark.parametrize("name", ["reading-confirmed", "event-reservation-void", "test-corrected"])
def test_each_of_the_three_records_is_kept(receiver: Callable[..., Receiver], name: str) -> None:
    body = (GOLDEN / f"{name}.json").read_bytes().rstrip(b"\n")
    far = receiver(training=True)

    assert far.take(TOPIC, body, said(1)) == "new"
    assert far.take(TOPIC, other(body, format=json.loads(body)["format"].replace("/1", "/2")), said(2)) == "refused"


def test_a_repeat_is_dropped_also_after_a_restart(receiver: Callable[..., Receiver]) -> None:
    receiver().take(TOPIC, PRODUCTION, said(1))
    again = receiver()

    assert again.take(TOPIC, PRODUCTION, said(1)) == "repeat"
    assert again.store.execute("SELECT count(*) FROM records").fetchone() == (1,)


@pytest.mark.parametrize("order", [(1, 2, 3), (3, 1, 2), (2, 3, 1)])
def test_the_newest_revision_counts_in_whatever_order_they_come(
    receiver: Callable[..., Receiver], order: tuple[int, ...]
) -> None:
    far = receiver()
    for number, revision in enumerate(order, 1):
        assert far.take(TOPIC, other(PRODUCTION, revision=revision), said(number)) == "new"

    found = far.store.execute("SELECT revision, body FROM newest").fetchall()

    assert found == [(3, other(PRODUCTION, revision=3))]


def test_training_is_left_out_unless_it_is_wanted_and_is_no_gap(receiver: Callable[..., Receiver]) -> None:
    far, practice = receiver(), receiver("practice", training=True)
    far.take(TOPIC, PRODUCTION, said(1))

    assert far.take(TOPIC, TRAINING, said(2)) == "left out"
    assert practice.take(TOPIC, TRAINING, said(2)) == "new"
    far.take(TOPIC, other(PRODUCTION, revision=9), said(3))
    assert far.store.execute("SELECT count(*) FROM records WHERE body = ?", (TRAINING,)).fetchone() == (0,)
    assert gaps([far.store]) == []


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"not JSON",
        b"\xff\xfe",
        b"[]",
        b"null",
        b"{}",
        b"[" * 100_000,
        other(PRODUCTION, format="breath-reading/2"),
        other(PRODUCTION, format="another-thing/1"),
        other(PRODUCTION, format="\ud800"),
        other(PRODUCTION, format=[]),
        other(PRODUCTION, id="x"),
        other(PRODUCTION, id=7),
        other(PRODUCTION, revision=10**30),
        other(PRODUCTION, revision="many"),
        other(PRODUCTION, purpose="\ud800", id="\ud800"),
    ],
    ids=lambda body: repr(body[:40]),
)
def test_what_cannot_be_read_is_kept_aside_once_and_stops_nothing(
    receiver: Callable[..., Receiver], body: bytes
) -> None:
    far = receiver(training=True)

    assert far.take(TOPIC, body, said(1)) == "refused"
    assert far.take(TOPIC, body, said(1)) == "refused"
    assert far.store.execute("SELECT topic, body FROM refused").fetchall() == [(TOPIC, body)]
    assert far.store.execute("SELECT count(*) FROM records").fetchone() == (0,)
    assert far.store.execute("SELECT number FROM deliveries").fetchall() == [(1,)], "it came: it is no gap"


@pytest.mark.parametrize("wrong", [{"delivery": "x", "epoch": EPOCH}, {"delivery": "1"}, said(1, "y"), said(10**30)])
def test_properties_that_cannot_be_read_are_refused_too(
    receiver: Callable[..., Receiver], wrong: dict[str, str]
) -> None:
    far = receiver()

    assert far.take(TOPIC, PRODUCTION, wrong) == "refused"
    assert far.store.execute("SELECT count(*) FROM refused").fetchone() == (1,)


def test_without_properties_a_record_is_kept_all_the_same(receiver: Callable[..., Receiver]) -> None:
    far = receiver()

    assert far.take(TOPIC, PRODUCTION, {}) == "new"
    assert gaps([far.store], from_first=True) == []


def test_the_same_id_and_revision_with_other_bytes_is_refused_and_the_first_stays(
    receiver: Callable[..., Receiver],
) -> None:
    far = receiver()
    far.take(TOPIC, PRODUCTION, said(1))

    assert far.take(TOPIC, PRODUCTION.replace(b'"status":"', b'"status": "'), said(2)) == "refused"
    assert far.store.execute("SELECT body FROM records").fetchall() == [(PRODUCTION,)]


def test_what_cannot_be_stored_is_an_error_and_leaves_nothing_half(receiver: Callable[..., Receiver]) -> None:
    far = receiver()
    far.store.execute("CREATE TRIGGER full BEFORE INSERT ON records BEGIN SELECT raise(ROLLBACK, 'disk full'); END")

    with pytest.raises(sqlite3.Error, match="disk full"):
        far.take(TOPIC, PRODUCTION, said(1))
    assert far.store.execute("SELECT count(*) FROM deliveries").fetchone() == (0,)


def test_each_store_has_a_session_of_its_own_and_keeps_it(receiver: Callable[..., Receiver]) -> None:
    names = [receiver(name).store.execute("SELECT client_id FROM me").fetchall() for name in ("a", "b", "a")]

    assert names[0] == names[2] != names[1]


def test_a_subscription_that_is_refused_ends_it(receiver: Callable[..., Receiver]) -> None:
    """Mosquitto's own access lists let anybody subscribe and then send nothing: others say so (MQTT 5.0 §3.9.3)."""
    told: Any = receiver().client.on_subscribe
    codes = [ReasonCode(PacketTypes.SUBACK, "Granted QoS 1"), ReasonCode(PacketTypes.SUBACK, "Not authorized")]

    told(None, None, 1, codes[:1], None)
    with pytest.raises(ConnectionError, match="the broker says Granted QoS 1, Not authorized"):
        told(None, None, 1, codes, None)


# Gaps ---------------------------------------------------------------------------------------------------------------


def came(far: Receiver, *numbers: int, epoch: str = EPOCH, topic: str = TOPIC) -> None:
    for number in numbers:
        far.take(topic, PRODUCTION, said(number, epoch))


def test_missing_deliveries_are_named_for_each_topic(receiver: Callable[..., Receiver]) -> None:
    far = receiver()
    came(far, 1, 2, 5, 7, 6, 9)
    came(far, 1, 2, 3, topic=f"{TOPIC}/event")

    assert gaps([far.store]) == [Gap(TOPIC, EPOCH, 3, 4), Gap(TOPIC, EPOCH, 8, 8)]
    assert [str(gap) for gap in gaps([far.store])] == [
        f"{TOPIC}: missing 3 to 4 (epoch {EPOCH})",
        f"{TOPIC}: missing 8 (epoch {EPOCH})",
    ]


def test_a_gap_closes_when_what_was_missing_comes(receiver: Callable[..., Receiver]) -> None:
    far = receiver()
    came(far, 1, 4, 2, 3)

    assert gaps([far.store]) == []


def test_who_joined_late_misses_nothing_of_before_unless_asked(receiver: Callable[..., Receiver]) -> None:
    far = receiver()
    came(far, 4, 5)

    assert gaps([far.store]) == []
    assert gaps([far.store], from_first=True) == [Gap(TOPIC, EPOCH, 1, 3)]


def test_a_later_epoch_begins_anew_with_one(receiver: Callable[..., Receiver]) -> None:
    far = receiver()
    came(far, 4, 5)
    came(far, 1, 2, epoch=LATER)
    assert gaps([far.store]) == []

    third = "aaaaaaaa-2222-4333-8444-555555555555"
    came(far, 3, epoch=third)

    assert gaps([far.store]) == [Gap(TOPIC, third, 1, 2)], "the first of a later epoch are missed"


def test_with_a_shared_subscription_gaps_are_those_of_all_stores_together(receiver: Callable[..., Receiver]) -> None:
    one, two = receiver("one"), receiver("two")
    came(one, 1, 3, 6)
    came(two, 2, 5)

    assert len(gaps([one.store])) == 2
    assert gaps([one.store, two.store]) == [Gap(TOPIC, EPOCH, 4, 4)]


def test_the_newest_over_all_stores_and_contradictions_among_them(receiver: Callable[..., Receiver]) -> None:
    one, two = receiver("one"), receiver("two")
    one.take(TOPIC, other(PRODUCTION, revision=5), said(1))
    two.take(TOPIC, other(PRODUCTION, revision=4), said(2))
    name = json.loads(PRODUCTION)["id"]
    assert newest([one.store, two.store]) == {name: (5, other(PRODUCTION, revision=5))}

    two.take(TOPIC, other(PRODUCTION, revision=5, site="elsewhere"), said(3))

    with pytest.raises(ValueError, match="held twice"):
        newest([one.store, two.store])


def test_a_folder_is_read_the_same_way(receiver: Callable[..., Receiver], tmp_path: Path) -> None:
    far = receiver()
    day = tmp_path / "out" / "readings" / "2026-11-24"
    day.mkdir(parents=True)
    for number in (1, 3):
        name = f"20261124T103205Z_h2-a_{number:06}_caa3a430_r{number}.json"
        (day / name).write_bytes(other(PRODUCTION, revision=number))
    (day / "notes.json").write_bytes(b"not ours")

    assert read_folder(far, tmp_path / "out") == ["new", "new", "refused"]
    assert read_folder(far, tmp_path / "out") == ["repeat", "repeat", "refused"]
    assert [(gap.first, gap.last) for gap in gaps([far.store])] == [(2, 2)]

    opened = tmp_path / "out" / "tests" / "2026-11-24"
    opened.mkdir(parents=True)
    named = opened / "20261124T094212Z_bench_000001_4e8b2c90_r17.json"
    named.write_bytes((GOLDEN / "test-corrected.json").read_bytes())
    assert sorted(read_folder(far, tmp_path / "out")) == ["new", "refused", "repeat", "repeat"]
