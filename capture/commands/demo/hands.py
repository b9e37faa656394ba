"""The technician of the demo: every deed of the scenario as an act through the control socket, as `tidewire test` does it.

Rules of the room:
- Hands take no time in the scenario, and no breath begins before what has to be done for it is done.
- The technician knows who is there and who blew, as a person does; labels, ids and what became of a reading are asked for.
"""

from __future__ import annotations

import math
import threading
from typing import TYPE_CHECKING, Any

from capture.commands.acts import act
from capture.commands.demo.place import PROTOCOL_NAME
from capture.commands.readings import value
from capture.errors import TidewireError
from capture.record import numbers

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.commands.common import Bench
    from capture.commands.demo.stage import Stage
    from simulators.cable import Step
    from simulators.clinic import Deed
    from simulators.people import Person

    Record = dict[str, Any]

INITIALS = "SK"
LOOK_EVERY_MS = 200  # of real time
CYLINDER = {"hydrogen": "100 ppm", "methane": "50 ppm"}
"""What the label of the invented cylinder says."""

ASIDE = {
    "offered": "looked at it before: it is not measuring",
    "bag offered": "the bag of an hour ago",
    "found": "it was measured before anybody reserved",
    "put right": "the wrong label was scanned",
}
"""What the technician thinks beside it; of what is offered, where a look at the analyser was needed."""


class Hands:
    """Does the deeds, one after the other. `tests`: the label of each person's test."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._bench: Bench = stage.bench
        self._bags: dict[tuple[str, int | None], str] = {}
        self.tests: dict[str, str] = {}
        self._done = threading.Condition()
        self._next_ms: float = stage.scene.deeds[0].at_s * 1000
        stage.before = self._hold_back

    def do_all(self, look: Callable[[], None], tell: Callable[[str], None]) -> None:
        """Every deed in its time; `look` is called now and then, `tell` with each sentence of what was done."""
        stage = self._stage
        deeds = stage.scene.deeds
        for deed, following in zip(deeds, (*deeds[1:], None), strict=True):
            while not self._slept(deed.at_s * 1000):
                look()
            with stage.pace.held():
                stage.heard(deed.at_s * 1000)
                look()
                for words in self._do(deed):
                    tell(words)
                look()
                with self._done:
                    self._next_ms = math.inf if following is None else following.at_s * 1000
                    self._done.notify_all()

    def _slept(self, until_ms: float) -> bool:
        """Wait for the scenario, some real tenths of a second at most; whether the time has come, or never will.

        Who looks just before it has come is late for it: the last stretch is waited for in one.
        """
        pace = self._stage.pace
        slice_ms = LOOK_EVERY_MS * pace.speed
        last = until_ms - pace.now_ms < 2 * slice_ms
        return not pace.wait_until(until_ms if last else pace.now_ms + slice_ms, self._stage.stop) or last

    def _hold_back(self, step: Step) -> None:
        """No breath begins before everything that is done before it is done."""
        begins_ms = min((cue.at_s * 1000 for cue in step.cues), default=0)
        with self._done:
            while self._next_ms < begins_ms and not self._stage.stop.is_set():
                self._done.wait(0.05)

    def _do(self, deed: Deed) -> list[str]:
        does = {
            "calibrated": self._calibrated,
            "arrives": self._arrives,
            "drinks": self._drinks,
            "offered": self._offered,
            "bagged": self._bagged,
            "bag offered": self._bag_offered,
            "found": self._found,
            "put right": self._put_right,
            "reviewed": self._reviewed,
        }
        answer = does[deed.what](deed)
        said, *more = answer["said"]
        if deed.what in ASIDE and (deed.what != "offered" or deed.looked):
            said += f" ({ASIDE[deed.what]})"
        return [said, *more, *(f"Note: {words}" for words in answer["warned"])]

    def _act(self, name: str, /, **given: Any) -> Record:  # noqa: ANN401 - JSON
        return act(self._bench, name, INITIALS, **given)

    # Deeds ----------------------------------------------------------------------------------------------------------

    def _calibrated(self, deed: Deed) -> Record:
        shown = self._last(deed.analyser, "calibration-gas")["gases"]
        detail = {f"{gas}_certified": text for gas, text in CYLINDER.items()}
        detail |= {f"{gas}_measured": f"{value(shown[gas], 'ppm')} ppm" for gas in CYLINDER}
        detail |= {f"{gas}_tolerance": "5 %" for gas in CYLINDER}
        return self._act("note", analyser=deed.analyser, name="calibration-passed", detail=detail)

    def _arrives(self, deed: Deed) -> Record:
        name = _who(deed.person)
        asked = self._bench.ask("protocol", name=PROTOCOL_NAME)
        answer = self._act(
            "test-open",
            protocol=PROTOCOL_NAME,
            sha256=asked["sha256"],
            subject=name,
            answers=[[question, "12"] for question in asked["questions"]],
            acknowledged=True,
        )
        self.tests[name] = numbers.loads(answer["test"])["label"]
        return answer

    def _drinks(self, deed: Deed) -> Record:
        return self._act("test-dose", test=self.tests[_who(deed.person)], amount="250", unit="mL", given_by=INITIALS)

    def _offered(self, deed: Deed) -> Record:
        return self._reserve(self._place(deed.person, deed.minute), deed)

    def _bagged(self, deed: Deed) -> Record:
        answer = self._act("test-container", place=self._place(deed.person, deed.minute), kind="bag")
        self._bags[_who(deed.person), deed.minute] = answer["container"]
        return answer

    def _bag_offered(self, deed: Deed) -> Record:
        return self._reserve(self._bags[_who(deed.person), deed.minute], deed)

    def _reserve(self, sample: str, deed: Deed) -> Record:
        return self._act(
            "test-reserve",
            sample=sample,
            analyser=deed.analyser,
            interface="mouthpiece",
            none_under_way=deed.looked or None,
        )

    def _found(self, deed: Deed) -> Record:
        return self._act(
            "test-assign",
            reading=self._last(deed.analyser, "breath", unbound=True)["id"],
            place=self._place(deed.person, deed.minute),
            reason=ASIDE["found"],
        )

    def _put_right(self, deed: Deed) -> Record:
        wrong = self._place(deed.instead, deed.minute)
        shown = self._bench.ask("test-show", test=self.tests[_who(deed.instead)])
        (point,) = [one for one in numbers.loads(shown["test"])["points"] if one["label"] == wrong]
        return self._act(
            "test-assign",
            reading=point["attempts"][-1]["reading"],
            place=self._place(deed.person, deed.minute),
            reason=f"{_who(deed.person)} blew: {ASIDE['put right']}",
        )

    def _reviewed(self, deed: Deed) -> Record:
        return self._act("test-close", test=self.tests[_who(deed.person)])

    # What is asked for ----------------------------------------------------------------------------------------------

    def _place(self, person: Person | None, minute: int | None) -> str:
        """The label of a person's sample."""
        shown = self._bench.ask("test-show", test=self.tests[_who(person)])
        for point in numbers.loads(shown["test"])["points"]:
            if (point["role"] == "baseline") if minute is None else (point["nominal_min"] == minute):
                return str(point["label"])
        raise TidewireError(f"no sample of {_who(person)} is planned for minute {minute}")

    def _last(self, analyser: str | None, kind: str, *, unbound: bool = False) -> Record:
        """The latest reading of an analyser."""
        found: Record | None = None
        after: int | None = 0
        while after is not None:
            page = self._bench.ask("readings", kind="reading", after=after, unbound=unbound)
            mine = [numbers.loads(row["text"]) for row in page["records"]]
            found = next(
                (one for one in reversed(mine) if (one["analyser"]["id"], one["kind"]) == (analyser, kind)), found
            )
            after = page["next"]
        if found is None:
            raise TidewireError(f"{analyser} has given no {kind.replace('-', ' ')} yet")
        return found


def _who(person: Person | None) -> str:
    if person is None:
        raise TidewireError("the scenario does not say who it is")
    return person.name
