"""Each law is broken by a driver that breaks it: a law that nothing can break would prove nothing."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from drivers import laws, registry
from drivers.contract import Event, Item, Noise, Part, Progress, Quantity, Refused, Reply, Result, Span
from drivers.hearing import play
from drivers.laws import Disturbance, LawBroken
from drivers.recording import Bytes, Mark

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.contract import Decoder, Driver
    from drivers.recording import Entry

LINE = registry.find("delimited-line")
BLOCK = registry.find("label-block")
GAP = registry.find("gap-frame")
RESULT = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"
SENT = b"MSG=RES/NO=0412/AT=20261124103105/KIND=B/H2=37/CH4=<2/O2=16.4"
STATE = b"\x02MSG:STATE\r\nSTATE:READY\r\n*12\x03"
ENTRIES: list[Entry] = [
    Bytes(0, RESULT),
    Mark(1, "quiet"),
    Bytes(2, RESULT[:20]),
    Bytes(3, RESULT[20:], (3,)),
    Bytes(4, RESULT),
]


class Crooked:
    """A decoder that changes what an honest one says: `bend` sees the bytes fed and the items."""

    def __init__(self, honest: Decoder, bend: Callable[[bytes, list[Item]], list[Item]], wait: float | None) -> None:
        self._honest = honest
        self._bend = bend
        self._wait = wait

    @property
    def at_rest(self) -> bool:
        return True

    @property
    def quiet_after(self) -> float | None:
        return self._wait

    def opened(self) -> Sequence[Item]:
        return [Reply(b"?")]

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        return self._bend(data, list(self._honest.feed(data, damaged)))

    def quiet(self) -> Sequence[Item]:
        return self._bend(b"", list(self._honest.quiet()))

    def lost(self) -> Sequence[Item]:
        return self._honest.lost()


def crooked(
    bend: Callable[[bytes, list[Item]], list[Item]] = lambda _, items: items,
    wait: float | None = None,
    driver: Driver = LINE,
) -> Driver:
    return replace(driver, new=lambda offset: Crooked(driver.new(offset), bend, wait))


def bent_quantity(**changes: object) -> Callable[[bytes, list[Item]], list[Item]]:
    """Every hydrogen is changed."""

    def bend(_: bytes, items: list[Item]) -> list[Item]:
        bent: list[Item] = []
        for item in items:
            if isinstance(item, Result):
                quantity = replace(item.gases["hydrogen"], **changes)  # type: ignore[arg-type]  # any change
                bent.append(replace(item, gases={"hydrogen": quantity}))
            else:
                bent.append(item)
        return bent

    return bend


def by_size(data: bytes, items: list[Item]) -> list[Item]:
    return items if len(data) > 1 else [item for item in items if not isinstance(item, Result)]


def doubled(_: bytes, items: list[Item]) -> list[Item]:
    return [each for item in items for each in (item, item)]


def one_more(_: bytes, items: list[Item]) -> list[Item]:
    replies: list[Item] = [Reply(b"!") for item in items if isinstance(item, Result)]
    return items + replies


def silent(_data: bytes, _items: list[Item]) -> list[Item]:
    return []


def raising(data: bytes, items: list[Item]) -> list[Item]:
    if b"\xff" in data:
        raise KeyError("a byte")
    return items


def test_cuts_that_change_items_are_found() -> None:
    with pytest.raises(LawBroken, match="byte by byte, items differ from those of the whole"):
        laws.cut_independent(crooked(by_size), ENTRIES, [3])
    laws.cut_independent(crooked(), ENTRIES, [3])


def test_another_number_of_items_is_found() -> None:
    with pytest.raises(LawBroken, match="3 items, not 2"):
        laws.cut_independent(
            crooked(lambda data, items: items if len(data) > 1 else [*items, *([Reply(b"")] if items else [])]),
            [Bytes(0, RESULT)],
            [3],
        )


def test_bytes_in_no_item_or_in_two_are_found() -> None:
    with pytest.raises(LawBroken, match="40 are in no item; 0 to 20 may be"):
        laws.covered(crooked(silent), [Bytes(0, RESULT)], 20)
    with pytest.raises(LawBroken, match="bytes 0 to 40 are in no item"):
        laws.covered(crooked(silent), [Bytes(0, RESULT)])
    with pytest.raises(LawBroken, match="after 40 bytes -40 are in no item"):
        laws.covered(crooked(doubled), [Bytes(0, RESULT)])
    with pytest.raises(LawBroken, match="bytes 0 to 40 are in two items"):
        laws.covered(crooked(lambda _, items: items[:1] * 2), [Bytes(0, RESULT * 2)])


def test_a_silence_too_short_to_be_seen_is_found() -> None:
    with pytest.raises(LawBroken, match=r"waits for 0\.01 s of silence"):
        laws.covered(crooked(wait=0.01), ENTRIES)


def test_a_false_rest_point_is_found() -> None:
    with pytest.raises(LawBroken, match="a fresh decoder at rest point 1 goes on differently"):
        laws.restful(crooked(), ENTRIES)


def test_an_exception_is_found() -> None:
    with pytest.raises(LawBroken, match="any bytes must give items"):
        laws.tolerant(crooked(raising), b"a\xff", 1)
    with pytest.raises(LawBroken, match="are in no item"):
        laws.tolerant(crooked(silent), b"a\r\n", 1)


def test_a_frame_without_bound_is_found() -> None:
    def forgiving(_: bytes, items: list[Item]) -> list[Item]:
        return [each for each in items if not isinstance(each, Refused)]

    def uneven(_: bytes, items: list[Item]) -> list[Item]:
        return [
            Noise((Span(each.spans[0].start, each.spans[0].end + n),), "") if isinstance(each, Noise) else each
            for n, each in enumerate(items)
        ]

    def by_beginning(data: bytes, items: list[Item]) -> list[Item]:
        return [
            replace(each, spans=(Span(0, 96 + data.find(b"x")),)) if isinstance(each, Refused) else each
            for each in items
        ]

    with pytest.raises(LawBroken, match="it must be refused as too long"):
        laws.bounded(crooked(forgiving), [Bytes(0, RESULT)])
    with pytest.raises(LawBroken, match="no noise in pieces of one size"):
        laws.bounded(crooked(uneven), [Bytes(0, RESULT)])
    with pytest.raises(LawBroken, match="refused at the lengths"):
        laws.bounded(crooked(by_beginning), [Bytes(0, RESULT)])


def given_up_at(size: int, *more: Item) -> Callable[[bytes, list[Item]], list[Item]]:
    """An endless result is given up over `size` bytes as unfinished, and `more` follows; other frames as ever."""

    def bend(data: bytes, items: list[Item]) -> list[Item]:
        if not isinstance(items[0], Refused) or not data.startswith(b"RES"):
            return items
        return [Refused((Span(0, size),), "unfinished", "its length is known"), *more]

    return bend


def a_noise(start: int, end: int) -> Item:
    return Noise((Span(start, end),), "noise")


def a_refusal(start: int, end: int) -> Item:
    return Refused((Span(start, end),), "bad-field", "a rule")


def test_a_frame_of_known_length_ends_there_and_what_follows_says_nothing() -> None:
    known = given_up_at(40, a_noise(40, 49), a_refusal(49, 58))
    assert laws.bounded(crooked(known), [Bytes(0, RESULT)]) == len(RESULT) == 40
    with pytest.raises(LawBroken, match="no noise in pieces of one size"):
        laws.bounded(crooked(given_up_at(40, Event((Span(40, 49),), "ready"))), [Bytes(0, RESULT)])
    with pytest.raises(LawBroken, match="no noise in pieces of one size"):
        laws.bounded(crooked(given_up_at(40, a_noise(40, 49), a_noise(49, 60))), [Bytes(0, RESULT)])


def test_a_frame_given_up_at_any_other_length_is_found() -> None:
    with pytest.raises(LawBroken, match="it must be refused as too long"):
        laws.bounded(crooked(given_up_at(41)), [Bytes(0, RESULT)])
    with pytest.raises(LawBroken, match=r"refused at the lengths \[40, 96\]; it must be one"):
        laws.bounded(crooked(given_up_at(40)), [Bytes(0, RESULT + b"STA;READY;\r\n")])


def test_behind_an_over_long_frame_nothing_but_noise_may_come() -> None:
    def refusing(_: bytes, items: list[Item]) -> list[Item]:
        return [
            a_refusal(each.spans[0].start, each.spans[0].end) if isinstance(each, Noise) else each for each in items
        ]

    with pytest.raises(LawBroken, match="no noise in pieces of one size"):
        laws.bounded(crooked(refusing), [Bytes(0, RESULT)])


def test_a_lost_frame_is_found() -> None:
    def forgetful(data: bytes, items: list[Item]) -> list[Item]:
        return items if data.startswith(b"RES") else items[:-1]

    disturbance = Disturbance(0, 0, b"garbage\r\n")
    with pytest.raises(LawBroken, match="costs a frame that it does not touch"):
        laws.resynchronising(crooked(forgetful), [Bytes(0, RESULT * 3)], disturbance)


class HardOfHearing(Crooked):
    """After garbage it hears no silence any more."""

    garbage = False

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        self.garbage |= b"garbage" in data
        return super().feed(data, damaged)

    def quiet(self) -> Sequence[Item]:
        return [] if self.garbage else super().quiet()


@pytest.mark.parametrize("place", [0, 61, 122])
def test_a_silence_that_is_not_heard_any_more_is_found(place: int) -> None:
    entries: list[Entry] = [Bytes(0, SENT), Mark(1, "quiet")] * 5
    disturbance = Disturbance(place, place, b"garbage")
    laws.resynchronising(GAP, entries, disturbance)
    deaf = replace(GAP, new=lambda offset: HardOfHearing(GAP.new(offset), lambda _, items: items, None))
    with pytest.raises(LawBroken, match="costs a frame that it does not touch"):
        laws.resynchronising(deaf, entries, disturbance)


def test_silences_are_kept_where_they_were_heard() -> None:
    entries: list[Entry] = [Mark(0, "quiet"), Bytes(0, SENT), Mark(1, "quiet"), Bytes(2, SENT), Mark(3, "quiet")]
    assert laws.silences(entries) == [0, 61, 122]
    assert play(GAP, laws.with_silences(SENT * 2, [0, 61, 122])) == play(GAP, entries)
    assert laws.frames_of(GAP, [*entries, Bytes(4, b"MSG=STA/IS=READY"), Mark(5, "quiet")]) == {
        SENT,
        b"MSG=STA/IS=READY",
    }


def test_an_accepted_damage_is_found() -> None:
    def trusting(data: bytes, items: list[Item]) -> list[Item]:
        return [Event((Span(0, len(data)),), "ready", {}, "checksum")] if b"READX" in data else items

    with pytest.raises(LawBroken, match="fails its check and yet gives Event"):
        laws.checked(crooked(trusting, driver=BLOCK), [Bytes(0, STATE.replace(b"READY", b"READY"))] * 2)


def test_a_loose_grammar_is_found() -> None:
    def loose(data: bytes, items: list[Item]) -> list[Item]:
        if b"1_0" not in data:
            return items
        return [bent_quantity(value=Decimal(10), text="10", state="ok")(data, [item])[0] for item in items]

    with pytest.raises(LawBroken, match="reads b'1_0' as the number 10"):
        laws.numerate(crooked(loose), [Bytes(0, RESULT + b"STA;READY;\r\n")])


def test_a_loose_grammar_is_found_where_silence_ends_the_frames() -> None:
    def loose(_: bytes, items: list[Item]) -> list[Item]:
        wrong = bent_quantity(value=Decimal(10), text="10", state="ok")
        texts = [item.gases["hydrogen"].text for item in items if isinstance(item, Result)]
        return wrong(b"", items) if texts == ["1_0"] else items

    with pytest.raises(LawBroken, match="reads b'1_0' as the number 10"):
        laws.numerate(crooked(loose, driver=GAP), [Bytes(0, SENT), Mark(1, "quiet")])
    laws.numerate(crooked(driver=GAP), [Bytes(0, SENT), Mark(1, "quiet")])


@pytest.mark.parametrize(
    ("value", "oxygen", "right"),
    [
        ("1.000", b"16", True),
        ("1000", b"16", False),
        ("1.0000", b"16", False),
        ("-1.000", b"16", False),
        ("1.000", b"16.4", False),
        ("1000", b"16.4", False),
    ],
)
def test_a_comma_between_digits_is_at_most_a_decimal_one_and_only_where_no_point_is_seen(
    value: str, oxygen: bytes, right: bool
) -> None:
    def reading_commas(data: bytes, items: list[Item]) -> list[Item]:
        if b";1,000;" not in data:
            return items
        text = "1,0000" if value == "1.0000" else "1,000"  # a value has the digits of its text
        return bent_quantity(value=Decimal(value), text=text, state="ok")(data, items)

    entries: list[Entry] = [Bytes(0, RESULT.replace(b"16.4", oxygen))]
    if right:
        laws.numerate(crooked(reading_commas), entries)
    else:
        with pytest.raises(LawBroken, match=f"reads b'1,000' as the number {value}"):
            laws.numerate(crooked(reading_commas), entries)


@pytest.mark.parametrize(
    "changes",
    [
        {"value": Decimal(38)},
        {"state": "invalid"},
        {"value": Decimal("NaN")},
        {"value": None},
    ],
)
def test_a_value_that_does_not_fit_its_text_or_state_is_found(changes: dict[str, object]) -> None:
    with pytest.raises(LawBroken, match=r"does not fit its state or its text|ok without a value"):
        laws.covered(crooked(bent_quantity(**changes)), [Bytes(0, RESULT)])


def test_an_item_without_bytes_is_found() -> None:
    quantity = Quantity(Decimal(3), "ppm", "sheet", "ok", "3", (Span(0, 1),))
    with pytest.raises(LawBroken, match="an item has no bytes"):
        laws.sound(LINE, Progress((Span(3, 3),), {"hydrogen": quantity}))
    laws.sound(LINE, Progress((Span(3, 4),), {"hydrogen": quantity}))
    laws.sound(LINE, Result((Span(3, 4),), "none", {}, None, other={"end": quantity}))


@pytest.mark.parametrize(
    "edges", [[(0, 39)], [(0, 20), (21, 40)], [(0, 20), (19, 40)], [(0, 40), (40, 40)], [(1, 40)], []]
)
def test_a_layout_with_gap_or_overlap_is_found(edges: list[tuple[int, int]]) -> None:
    driver = replace(LINE, layout=lambda _data, _at: [Part(Span(*edge), "field", "said") for edge in edges])
    with pytest.raises(LawBroken, match="it must cover every byte once"):
        laws.laid_out(driver, [Bytes(0, RESULT)])


def test_a_layout_that_says_nothing_is_found() -> None:
    driver = replace(LINE, layout=lambda data, at: [Part(Span(at, at + len(data)), "field", "")])
    with pytest.raises(LawBroken, match="it must cover every byte once"):
        laws.laid_out(driver, [Bytes(0, RESULT)])


def test_replies_are_no_bytes() -> None:
    laws.covered(crooked(one_more), [Bytes(0, RESULT)])
    laws.resynchronising(crooked(one_more), [Bytes(0, RESULT * 3)], Disturbance(0, 4, b""))


def test_damage_is_judged_by_what_is_said_and_what_is_not() -> None:
    damage = laws.checked(LINE, [Bytes(0, RESULT)])
    assert damage.tried == len(RESULT) * 8
    assert 0 < damage.unseen < damage.tried
    assert 0 < damage.unseen_beside < damage.tried
    assert laws.checked(LINE, [Bytes(0, b"STA;READY;\r\n")]).tried == 0
    assert laws.checked(GAP, [Bytes(0, SENT), Mark(1, "quiet")]).tried == len(SENT) * 8
    assert laws.checked(BLOCK, [Bytes(0, STATE)]).tried == 0
