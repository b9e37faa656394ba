"""The reservation: which result may fill it, and what ends it. One table, read from top to bottom.

| what is so of a result that comes while a place is reserved      | the result           | the reservation |
|------------------------------------------------------------------|----------------------|-----------------|
| room air or gas                                                  | unbound              | stays open      |
| perhaps one that has been stored before                          | unbound, flagged     | stays open      |
| the test was retracted, or is another person's or purpose's      | unbound              | void            |
| read on another start of the machine, or nobody knows            | unbound, flagged     | void            |
| read before the reservation was stored                           | unbound              | stays open      |
| read after its time was over                                     | unbound              | void            |
| another person's identifier was keyed in at the analyser         | unbound, flagged     | void            |
| starts are announced: not exactly one known start, after it      | unbound, flagged     | void            |
| starts are announced: exactly that                               | bound, final         | filled          |
| starts are not announced: sooner than the analyser can be        | unbound, flagged     | stays open      |
| starts are not announced: any other                              | bound, preliminary   | filled          |

Rules:
- "After" is the boot clock of reading; equal is not after. The wall clock decides nothing here.
- Where a result may have been the one that was waited for, the reservation is void: whoever reserved may well believe that
  it is filled, and the next breath is somebody else's. One key more, never a value in the wrong chart.
- What is not certain stays unbound and visible. Where no start is announced nobody can tell a slow previous result from
  the next one: such a reading is preliminary until a person confirms it.
- A measurement that may be under way unseen (a damaged frame, a port that was away) is never taken for finished because
  some result comes: only the analyser's word that it is ready, or a person's that none is, takes it off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from capture.record.moment import Start

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.record.moment import Happened, Heard, Moment, Reservation
    from drivers.contract import Kind

Seen = Literal["result", "refused", "opened", "lost", "measuring", "ready", "warming-up", "switched-on"]
"""What tells something of the measurements under way. All other events tell nothing."""

CLEARING: Final = frozenset({"ready", "warming-up", "switched-on"})
MOST_STARTS: Final = 8  # from two on nothing is certain; more are only shown


@dataclass(frozen=True, slots=True)
class Verdict:
    """What becomes of a result. `flag`: why it is bound to nobody; `ended`: how the reservation ended, None: it did not."""

    bound: bool = False
    status: Literal["preliminary", "final"] = "preliminary"
    flag: str | None = None
    ended: Happened | None = None


@dataclass(frozen=True, slots=True)
class Coming:
    """A result as far as a reservation looks at it. `keyed`: the identifier keyed in at the analyser, None: none.

    `repeated`: it is perhaps one that has been stored before.
    """

    kind: Kind
    keyed: str | None
    repeated: bool


Row = tuple[str, "Callable[[Coming, Reservation, Moment], bool]", Verdict]


def _is_gas(coming: Coming, _reservation: Reservation, _moment: Moment) -> bool:
    return coming.kind not in ("breath", "unknown")


def _is_repeated(coming: Coming, _reservation: Reservation, _moment: Moment) -> bool:
    return coming.repeated


def _has_no_place(_coming: Coming, reservation: Reservation, moment: Moment) -> bool:
    test = moment.breath_test
    return (
        test is None
        or test.id != reservation.test
        or test.status == "entered-in-error"
        or test.subject.value != reservation.subject
        or moment.stream.purpose != reservation.purpose
        or test.purpose != reservation.purpose
        or all(point.label != reservation.place for point in test.points)
    )


def _is_of_no_known_time(_coming: Coming, reservation: Reservation, moment: Moment) -> bool:
    return elapsed_ms(reservation.open_from, moment.heard) is None


def _was_read_before(_coming: Coming, reservation: Reservation, moment: Moment) -> bool:
    return not is_after(reservation.open_from, moment.heard)


def _is_over(_coming: Coming, reservation: Reservation, moment: Moment) -> bool:
    return is_over(reservation, moment.heard)


def _is_somebody_elses(coming: Coming, reservation: Reservation, _moment: Moment) -> bool:
    return coming.keyed is not None and not same_subject(coming.keyed, reservation.subject)


def _has_no_known_start(_coming: Coming, reservation: Reservation, moment: Moment) -> bool:
    if not moment.stream.driver.announces_start:
        return False
    starts = moment.analyser.under_way
    return len(starts) != 1 or not starts[0].sure or not is_after(reservation.open_from, starts[0])


def _is_announced(_coming: Coming, _reservation: Reservation, moment: Moment) -> bool:
    return moment.stream.driver.announces_start


def _is_too_soon(_coming: Coming, reservation: Reservation, moment: Moment) -> bool:
    least, passed = moment.stream.driver.shortest_cycle_ms, elapsed_ms(reservation.open_from, moment.heard)
    return least is not None and passed is not None and passed < least


NOBODYS: Final = Verdict()
REPEATED: Final = Verdict(flag="possible-duplicate")
TABLE: Final[tuple[Row, ...]] = (
    ("gas", _is_gas, NOBODYS),
    ("repeated", _is_repeated, REPEATED),
    ("no place", _has_no_place, Verdict(ended="cancelled")),
    ("no known time", _is_of_no_known_time, Verdict(flag="start-unclear", ended="unclear")),
    ("before", _was_read_before, NOBODYS),
    ("over", _is_over, Verdict(ended="expired")),
    ("somebody else's", _is_somebody_elses, Verdict(flag="identity-conflict", ended="unclear")),
    ("no known start", _has_no_known_start, Verdict(flag="start-unclear", ended="unclear")),
    ("announced", _is_announced, Verdict(bound=True, status="final", ended="filled")),
    ("too soon", _is_too_soon, Verdict(flag="too-soon")),
)
OTHERWISE: Final = Verdict(bound=True, status="preliminary", ended="filled")


def judge(coming: Coming, moment: Moment) -> Verdict:
    """What becomes of a result. Without a reservation it is bound to nobody; a repetition is flagged all the same."""
    reservation = moment.reservation
    if reservation is None:
        return REPEATED if coming.repeated else NOBODYS
    for _, holds, verdict in TABLE:
        if holds(coming, reservation, moment):
            return verdict
    return OTHERWISE


def voided_by(kind: str, name: str | None = None) -> Happened | None:
    """How an open reservation ends by an item that is no result: a refused frame, or a fault that the analyser reports."""
    if kind == "refused":
        return "refused-frame"
    return "fault" if kind == "event" and name == "fault" else None


def under_way(starts: tuple[Start, ...], seen: str, heard: Heard) -> tuple[Start, ...]:
    """The measurements under way after something was seen (see `Seen`) of an analyser that announces them.

    A result ends the one that is under way. Where several are, nobody can say which: what is left is unsure.
    """
    if seen == "measuring":
        return (*starts, Start(heard.utc, heard.boot, heard.since_boot_ms))[-MOST_STARTS:]
    if seen in CLEARING:
        return ()
    if seen in ("refused", "opened", "lost"):
        return starts if any(not start.sure for start in starts) else (*starts, _unsure(heard))[-MOST_STARTS:]
    if seen == "result":
        if len(starts) == 1 and starts[0].sure:
            return ()
        return (_unsure(heard),) if len(starts) > 1 else starts
    return starts


def _unsure(heard: Heard) -> Start:
    return Start(heard.utc, heard.boot, heard.since_boot_ms, sure=False)


def elapsed_ms(earlier: Heard | Start | None, later: Heard | Start) -> int | None:
    """Milliseconds of the boot clock from `earlier` to `later`; None where they do not share one."""
    if earlier is None or earlier.boot is None or earlier.boot != later.boot:
        return None
    if earlier.since_boot_ms is None or later.since_boot_ms is None:
        return None
    return later.since_boot_ms - earlier.since_boot_ms


def is_after(earlier: Heard | Start | None, later: Heard | Start) -> bool:
    """Whether `later` is known to have been read after `earlier`; equal is not after."""
    passed = elapsed_ms(earlier, later)
    return passed is not None and passed > 0


def is_over(reservation: Reservation, now: Heard, grace_ms: int = 0) -> bool:
    """Whether its time is over, by more than `grace_ms`."""
    passed = elapsed_ms(reservation.open_from, now)
    return reservation.expires_ms is not None and passed is not None and passed > reservation.expires_ms + grace_ms


def is_overdue(reservation: Reservation, now: Heard) -> bool:
    """Whether its result should have come by now."""
    passed = elapsed_ms(reservation.open_from, now)
    return reservation.expect_within_ms is not None and passed is not None and passed > reservation.expect_within_ms


def same_subject(keyed: str, subject: str) -> bool:
    """Whether an identifier keyed in at an analyser is this one; case and surrounding blanks make no difference."""
    return keyed.strip().casefold() == subject.strip().casefold()
