"""Acts that a person asks for: one table from a name to its arguments and its act; each is one transaction.

Rules of the room:
- Every argument is named and of one kind; what is not known is refused, never passed over.
- Who acts is the initials they state and the user whom the kernel names. `[bench] initials = true`: none without initials.
- Times come as RFC 3339 with an offset: which moment a local time means is for the command to find out.
- A file (a protocol) is read before the transaction, and the clock once: when the question came.
"""

from __future__ import annotations

import asyncio
import contextlib
import inspect
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from capture import protocols
from capture.acts import breaths, commission, course, dosing, instrument, settling, tests
from capture.acts.who import By
from capture.daemon.control import ASKER
from capture.errors import NotFound, UsageError
from capture.record.moment import Instrument

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from capture.acts.who import Answer
    from capture.clock import Clock
    from capture.config import Analyser, Config
    from capture.daemon.session import Session
    from capture.journal.store import Store, Tx
    from capture.record.moment import Bench, Heard, StreamHead
    from capture.record.protocol import Protocol

    Given = dict[str, Any]

LONGEST = 4000
INITIALS = 16


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > LONGEST:
        raise ValueError(f"must be a text of at most {LONGEST} characters")
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("must be true or false")  # noqa: TRY004 - told with all that is wrong with an argument
    return value


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("must be a whole number")  # noqa: TRY004 - as above
    return value


def _time(value: object) -> datetime:
    moment = datetime.fromisoformat(_text(value))
    if moment.tzinfo is None:
        raise ValueError("must have an offset, as 2026-11-24T09:30:00Z has")
    return moment


def _names(value: object) -> dict[str, str]:
    if not isinstance(value, dict):
        raise ValueError("must be an object of texts")  # noqa: TRY004 - as above
    return {_text(name): _text(said) for name, said in value.items()}


def _rows(value: object) -> tuple[tuple[str, ...], ...]:
    if not isinstance(value, list) or not all(isinstance(row, list) for row in value):
        raise ValueError("must be a list of lists of texts")
    return tuple(tuple(_text(each) for each in row) for row in value)


class Asked(NamedTuple):
    """An act by name: its function, what may be said, and (as a method's name) what the service adds."""

    act: Callable[..., Answer]
    said: Mapping[str, Callable[[object], Any]]
    more: str | None = None


def _texts(*names: str) -> dict[str, Callable[[object], Any]]:
    return dict.fromkeys(names, _text)


ACTS: dict[str, Asked] = {
    "test-open": Asked(
        tests.open_test,
        _texts("protocol", "purpose", "subject", "system", "order", "order_system", "person", "label", "sha256")
        | {"answers": _rows, "acknowledged": _flag},
        "_open",
    ),
    "test-dose": Asked(
        dosing.dose,
        _texts("test", "amount", "unit", "volume_ml", "lot", "expiry", "taken", "given_by", "text", "reason")
        | {"started": _time, "finished": _time},
    ),
    "test-container": Asked(dosing.container, _texts("place", "label", "kind") | {"collected_at": _time}),
    "test-discard": Asked(dosing.discard_container, _texts("label", "reason")),
    "test-reserve": Asked(
        breaths.reserve,
        _texts("sample", "analyser", "interface", "reason") | {"none_under_way": _flag, "replace": _flag},
        "_reserve",
    ),
    "test-release": Asked(breaths.release, _texts("analyser", "why") | {"id": _whole}, "_release"),
    "test-assign": Asked(breaths.assign, _texts("reading", "place", "reason") | {"collected_at": _time}),
    "test-withdraw": Asked(breaths.withdraw, _texts("reading", "reason")),
    "test-move": Asked(tests.move, _texts("test", "subject", "system", "order", "order_system", "reason")),
    "test-amend": Asked(
        tests.amend,
        _texts("test", "counts", "order", "order_system", "extra", "reason") | {"answers": _rows},
    ),
    "test-close": Asked(tests.close_test, _texts("test", "outcome", "reason")),
    "test-note": Asked(tests.note_test, _texts("test", "text", "symptom", "score", "scale") | {"at": _time}),
    "note": Asked(
        instrument.note_analyser, _texts("analyser", "name", "text") | {"detail": _names, "at": _time}, "_instrument"
    ),
    "enter": Asked(
        breaths.enter,
        _texts("analyser", "place", "kind", "oxygen", "interface", "reason")
        | {"gases": _names, "units": _names, "measured_at": _time, "collected_at": _time},
        "_instrument",
    ),
    "commission": Asked(
        commission.commission,
        _texts("analyser", "gas_reading", "text") | {"shown": _rows, "detail": _names},
        "_commission",
    ),
    "settle": Asked(settling.settle, _texts("item", "reason")),
}
"""All that a person can have done at a running bench."""


class _Tried(Exception):  # noqa: N818 - nothing is wrong: it takes the transaction back
    """An act came to its end, and nothing of it is to stay."""


@dataclass
class Acting:
    """Carries out acts at one bench. `reserved` is set when something may have been reserved."""

    store: Store
    bench: Bench
    config: Config
    clock: Clock
    sessions: Sequence[Session]
    reserved: asyncio.Event = field(default_factory=asyncio.Event)

    async def act(self, name: str, given: Given, *, stays: bool = True) -> Answer:
        """What a command asks for. `given` has the arguments of the act by name, and `by`: the initials, if stated."""
        now = self.clock.now()
        said = dict(given)
        by = By(_initials(said.pop("by", None)), ASKER.get())
        return await self._carry_out(name, said, by, now, stays=stays)

    async def would(self, name: str, given: Given) -> Given:
        """Carry out an act and leave nothing of it: whatever it would refuse is refused in its own words."""
        with contextlib.suppress(_Tried):
            await self.act(name, given, stays=False)
        return {}

    async def scanned(self, scanner: str, text: str, heard: Heard) -> Answer:
        """What a scanner read: a label, offered to the free analyser (or with `@ID` behind it to that one)."""
        if self.config.bench.initials:
            raise UsageError("a scan states no initials, and this bench asks for them; use: tidewire test desk")
        sample, _, analyser = text.partition("@")
        said = {"sample": sample.strip()} | ({"analyser": analyser.strip()} if analyser else {})
        return await self._carry_out("test-reserve", said, By(None, f"scanner {scanner}"), heard)

    async def _carry_out(self, name: str, said: Given, by: By, now: Heard, *, stays: bool = True) -> Answer:
        asked = ACTS[name]
        if self.config.bench.initials:
            by.stated("every act at this bench")
        taken = _taken(name, asked, said)
        if asked.more is not None:
            taken = await getattr(self, asked.more)(taken)
        if self.clock.invented and taken.get("purpose") == "production":
            raise UsageError("this service runs on an invented clock, for training only: write --purpose training")
        call = taken.pop("call", asked.act)
        signature = inspect.signature(call)
        if "reason" not in taken and "reason" in signature.parameters:
            taken["reason"] = None  # an act that demands one says so in its own words
        try:
            signature.bind(None, self.bench, by, now, **taken)
        except TypeError as error:
            raise UsageError(
                f"'{name}' was asked wrongly ({error}); command and service may be of different versions"
            ) from None

        def carried_out(tx: Tx) -> Answer:
            answer: Answer = call(tx, self.bench, by, now, **taken)
            if not stays:
                raise _Tried
            return answer

        answer = await self.store.run(carried_out)
        if name == "test-reserve":
            self.reserved.set()
        return answer

    def streaming(self) -> dict[str, StreamHead]:
        """The analysers that are receiving, each with its stream."""
        return {
            each.analyser.id: each.head for each in self.sessions if each.state == "receiving" and each.head is not None
        }

    def protocol(self, name: str) -> Protocol:
        """A protocol as its file is now. Raises UsageError, ConfigError."""
        return protocols.find(name, self.config.bench.protocols)

    async def describe(self, name: object = None) -> dict[str, Any]:
        """What a protocol asks of whoever opens a test with it."""
        found = await asyncio.to_thread(self.protocol, _text(name))
        return {
            "name": found.name,
            "called": found.called,
            "title": found.title,
            "person": found.person,
            "approved_by": found.approved and found.approved.by,
            "sha256": found.sha256,
            "cautions": [each.text for each in found.cautions],
            "questions": [each.ask for each in found.questions],
        }

    # What the service adds to what is said ----------------------------------------------------------------------------

    async def _open(self, taken: Given) -> Given:
        if "protocol" not in taken:
            raise UsageError("a test needs a protocol: name one of tidewire test protocols")
        found = await asyncio.to_thread(self.protocol, taken["protocol"])
        if taken.pop("sha256", found.sha256) != found.sha256:
            raise UsageError(
                f"the protocol {found.name} was changed this moment: open the test again, and read it again"
            )
        return {"purpose": self.config.bench.purpose, **taken, "protocol": found}

    async def _reserve(self, taken: Given) -> Given:
        heads = self.streaming()

        def reserve(tx: Tx, bench: Bench, by: By, now: Heard, **said: Any) -> Answer:  # noqa: ANN401 - as the act
            named = said.get("analyser") or _the_free(tx, heads, said["sample"], replacing=said.get("replace", False))
            if named is None:
                return breaths.reserve(tx, bench, by, now, clock=self.clock.now, streaming=heads, **said)
            limits = self._patience(named)
            return breaths.reserve(
                tx, bench, by, now, clock=self.clock.now, streaming=heads, **{**said, "analyser": named, **limits}
            )

        if "sample" not in taken:
            raise UsageError("say which sample: its label, as K7-60")
        return {**taken, "call": reserve}

    def _patience(self, name: str) -> Given:
        """How long a reservation of this analyser stands, and when its result is overdue."""
        table = next((each for each in self.config.analysers if each.id == name), None)
        if table is None:
            return {}
        within = table.expect_within_s
        return {
            "expires_ms": table.reservation_s * 1000,
            "expect_within_ms": None if within is None else within * 1000,
        }

    async def _release(self, taken: Given) -> Given:
        mine = taken.pop("id", None)

        def release(tx: Tx, bench: Bench, by: By, now: Heard, **said: Any) -> Answer:  # noqa: ANN401 - as the act
            found = breaths.open_reservation(tx, said["analyser"])
            if mine is not None and (found is None or found.id != mine):
                raise NotFound("that reservation is over already: see tidewire status, and what became of its reading")
            return breaths.release(tx, bench, by, now, **said)

        if "analyser" not in taken:
            raise UsageError("say of which analyser")
        return {**taken, "call": release}

    async def _instrument(self, taken: Given) -> Given:
        table, session = self._analyser(taken.get("analyser"))
        about = Instrument(table.id, table.make, table.model, table.serial_number, table.firmware)
        purpose = session.purpose if session is not None else self.config.purpose_of(table)
        return {**taken, "analyser": about, "purpose": purpose}

    async def _commission(self, taken: Given) -> Given:
        table, session = self._analyser(taken.pop("analyser", None))
        if session is None or session.head is None:
            raise NotFound(f"{table.id}: nothing was received from it since the service started; connect it first")
        return {**taken, "head": session.head}

    def _analyser(self, name: str | None) -> tuple[Analyser, Session | None]:
        table = next((each for each in self.config.analysers if each.id == name), None)
        if table is None:
            there = ", ".join(each.id for each in self.config.analysers) or "none"
            raise NotFound(f"no analyser {name or ''!r} is configured here; there are: {there}")
        return table, next((each for each in self.sessions if each.analyser.id == name), None)


def _the_free(tx: Tx, heads: Mapping[str, StreamHead], sample: str, *, replacing: bool) -> str | None:
    """The one analyser that a reservation without a name can mean; None: the act itself says why there is none."""
    purpose = course.place(tx, sample).test.purpose
    fitting = [name for name, head in heads.items() if head.purpose == purpose]
    free = [name for name in fitting if replacing or breaths.open_reservation(tx, name) is None]
    return free[0] if len(free) == 1 else None


def _taken(name: str, asked: Asked, said: Given) -> Given:
    """The arguments in their kinds; null is the same as not said. Raises UsageError."""
    taken = {}
    for key, value in said.items():
        if key not in asked.said:
            raise UsageError(
                f"'{name}' was asked wrongly (it has no {key[:40]!r}); command and service may be of different versions"
            )
        if value is None:
            continue
        try:
            taken[key] = asked.said[key](value)
        except (ValueError, OverflowError) as error:
            raise UsageError(f"'{name}' was asked wrongly ({key}: {error})") from None
    return taken


def _initials(given: object) -> str | None:
    """Initials as stated, or None. Raises UsageError."""
    if given is None:
        return None
    said = given.strip() if isinstance(given, str) else ""
    if not 0 < len(said) <= INITIALS or not said.isprintable():
        raise UsageError(f"initials are 1 to {INITIALS} printable characters, as in --by AB")
    return said
