"""All laws on one driver, law by law: what is kept, what is broken and where, what was not tried, what bits can do unseen."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from drivers import prove, registry
from drivers.contract import Noise, Span
from drivers.hearing import heard_bytes, play
from drivers.judging import LawBroken, meant
from drivers.recording import Bytes, decode

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Decoder, Driver, Item, Part
    from drivers.recording import Entry

LINES = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"


def entries_of(name: str, stem: str) -> Sequence[Entry]:
    return decode((registry.SHEETS / name / "recordings" / f"{stem}.txt").read_bytes()).entries


@pytest.mark.parametrize("name", ["delimited-line", "label-block"])  # all of them: test_laws_hold
def test_a_good_driver_keeps_every_law(name: str) -> None:
    proof = prove.prove(registry.builtin()[name], {"above-range": entries_of(name, "above-range")}, seed=3)

    assert {each.law: (each.state, each.detail) for each in proof.outcomes if each.law != "linear"} == {
        law: ("kept", "") for law in prove.LAWS if law != "linear"
    }
    assert proof.whole
    assert proof.every_bit


def test_nothing_is_timed_where_no_clock_is_given() -> None:
    proof = prove.prove(registry.find("delimited-line"), {"one": [Bytes(0, LINES)]})

    (linear,) = (each for each in proof.outcomes if each.law == "linear")
    assert (linear.state, linear.of) == ("not tried", 0)


def test_what_flipped_bits_do_unseen_is_what_a_loop_of_its_own_counts() -> None:
    proof = prove.prove(registry.find("delimited-line"), {"one": [Bytes(0, LINES)]})

    # The three values stand in the fields 5 to 7; a flipped bit is unseen where seven fields are left, the first is RES
    # and a value is another number, or has another comparator, in a text of digits with at most one point inside.
    def value(text: str) -> tuple[str, str] | None:
        sign, digits = (text[:1], text[1:]) if text[:1] in ("<", ">") else ("", text)
        whole, point, decimals = digits.partition(".")
        good = whole.isascii() and whole.isdigit() and (not point or (decimals.isascii() and decimals.isdigit()))
        return (sign, digits) if good else None

    true = [value(text) for text in ("37", "<2", "16.4")]
    unseen = 0
    for bit in range(len(LINES) * 8):
        hurt = bytearray(LINES)
        hurt[bit // 8] ^= 1 << bit % 8
        if hurt.endswith(b"\r\n") and hurt.count(b"\r\n") == 1:
            fields = hurt[:-2].decode("latin-1").split(";")
            got = [value(text) for text in fields[4:]]
            wrong = any(one is not None and one != other for one, other in zip(got, true, strict=False))
            unseen += len(fields) == 7 and fields[0] == "RES" and wrong
    assert (proof.damage.tried, proof.damage.unseen) == (len(LINES) * 8, unseen)
    assert unseen > 0


def with_layout(driver: Driver, layout: Sequence[Part]) -> Driver:
    return replace(driver, layout=lambda _frame, _offset: layout)


def test_a_law_that_is_broken_says_which_where_and_how_and_the_others_go_on() -> None:
    driver = with_layout(registry.find("delimited-line"), [])

    proof = prove.prove(driver, {"morning": [Bytes(0, LINES)]})

    broken = {each.law: each for each in proof.broken}
    assert set(broken) == {"laid_out", "tolerant"}
    assert broken["laid_out"].where == "morning"
    assert broken["laid_out"].detail.startswith("the layout of Span(start=0, end=40) is []")
    assert all(each.state == "kept" for each in proof.outcomes if each.law not in {*broken, "linear"})


class Failing:
    """A decoder that raises on the second chunk that it is fed."""

    at_rest = True
    quiet_after = None

    def __init__(self, offset: int) -> None:
        self.at = offset
        self.fed = 0

    def opened(self) -> Sequence[Item]:
        return ()

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        self.fed += 1
        if self.fed > 1:
            raise IndexError("of the second chunk")
        self.at += len(data)
        return [Noise((Span(self.at - len(data), self.at),), "all")]

    def quiet(self) -> Sequence[Item]:
        return ()

    def lost(self) -> Sequence[Item]:
        return ()


def test_a_driver_that_raises_breaks_the_law_it_was_tried_on() -> None:
    driver = replace(registry.find("delimited-line"), new=Failing)

    broken = {each.law: each.detail for each in prove.prove(driver, {"one": [Bytes(0, LINES)]}).broken}

    assert broken["cut_independent"] == "the driver raises IndexError('of the second chunk')"


def test_when_it_is_enough_each_law_was_tried_before_any_was_tried_twice() -> None:
    recordings = {stem: entries_of("gap-frame", stem) for stem in ("breath", "fault")}
    trials = prove.Trials(registry.find("gap-frame"), recordings)
    steps = iter(range(1000))

    told = list(trials.run(lambda: next(steps) >= 14))

    assert [each.tried for each in trials.proof.outcomes if each.of > 1] == [2, 2, 2, *[1] * 7]
    assert len(told) == 14
    assert not trials.proof.whole
    assert trials.proof.broken == []


def test_no_trial_is_made_where_nothing_was_heard() -> None:
    assert len(prove.Trials(registry.find("gap-frame"), {"silence": []})) == 0


def test_a_long_recording_is_tried_in_pieces_that_are_the_whole_of_it() -> None:
    entries = [Bytes(n, LINES) for n in range(500)]
    driver = registry.find("delimited-line")

    pieces = list(prove.pieces(driver, entries))

    assert [entry for piece in pieces for entry in piece] == entries
    assert {len(heard_bytes(piece)) for piece in pieces[:-1]} == {2080}
    assert len(pieces) == 10


def test_of_very_many_pieces_some_are_tried_and_it_is_said_how_many_are_not() -> None:
    trials = prove.Trials(registry.find("delimited-line"), {"week": [Bytes(n, LINES) for n in range(4000)]})

    assert (trials.left_out, trials.proof.outcomes[0].of) == (53, 24)


def test_of_a_very_long_frame_not_every_bit_is_flipped_and_that_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prove, "WORK", 1_000_000)
    sheet = (registry.SHEETS / "delimited-line/sheet.toml").read_text(encoding="utf-8")
    driver = registry.driver_from_text(sheet.replace("max = 96", "max = 2000"), "long.toml")
    frame = LINES.replace(b"0412", b"4" * 1000)

    trials = prove.Trials(driver, {"one": [Bytes(0, frame)]})
    damage = trials._checked([Bytes(0, frame)])

    assert not trials.proof.every_bit
    assert 0 < damage.tried < len(frame) * 8 / 7


class Slow:
    """A decoder that looks at all bytes so far whenever it is fed; `looked` counts them."""

    at_rest = True
    quiet_after = None
    looked = 0

    def __init__(self, offset: int) -> None:
        self.at = self.begun = offset

    def opened(self) -> Sequence[Item]:
        return ()

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        self.at += len(data)
        Slow.looked += self.at - self.begun
        return [Noise((Span(self.at - len(data), self.at),), "all")]

    def quiet(self) -> Sequence[Item]:
        return ()

    def lost(self) -> Sequence[Item]:
        return ()


def test_a_time_that_grows_with_the_bytes_is_found_and_a_steady_one_is_not() -> None:
    def slow(offset: int) -> Decoder:
        return Slow(offset)

    driver = replace(registry.find("delimited-line"), new=slow)
    with pytest.raises(LawBroken, match="of 131,072 frames each takes 16 times as long as one of 8,192"):
        prove.linear(driver, [Bytes(0, LINES)], lambda: Slow.looked)

    ticks = iter(range(1_000_000))
    steady = registry.find("delimited-line")
    prove.linear(steady, [Bytes(0, LINES)], lambda: next(ticks) * 0.0)


@pytest.mark.parametrize("unit", ["mg/m3", "\u00b5g/m3"])
def test_the_digits_of_a_unit_are_no_digits_of_the_value(unit: str) -> None:
    sheet = f"""\
sheet = 1
name = "unit-with-a-digit"
version = "1"
serial = {{ baud = 9600, bits = 8, parity = "none", stop = 1 }}
frame = {{ by = "line", end = "\\n", max = 48 }}
split = ";"
units = ["{unit}"]
[[message]]
gives = "result"
fields = 2
hydrogen = {{ field = 1, unit = "{unit}", unit_from = "frame" }}
oxygen = {{ field = 2, unit = "%" }}
"""
    data = "".join(f"{value} {unit};16.4\n" for value in (37, 3, 130)).encode()

    proof = prove.prove(registry.driver_from_text(sheet, "unit.toml"), {"session": [Bytes(0, data)]})

    assert [(each.law, each.detail) for each in proof.broken] == []
    assert len(meant(play(registry.driver_from_text(sheet, "unit.toml"), [Bytes(0, data)]))) == 3


def test_where_a_clock_is_given_the_time_is_a_law_and_what_nobody_tried_is_told() -> None:
    trials = prove.Trials(registry.find("gap-frame"), {"breath": entries_of("gap-frame", "breath")}, clock=lambda: 0.0)

    assert [each.law for each in trials.proof.untried] == [each.law for each in trials.proof.outcomes if each.of]
    assert "linear" in {each.law for each in trials.proof.untried}

    told = list(trials.run())

    assert {each.law for each in told} >= {"linear", "bounded"}
    assert trials.proof.untried == []
    assert trials.proof.whole
