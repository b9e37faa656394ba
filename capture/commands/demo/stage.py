"""The demo's stage: the real service as a process of its own, the simulated analysers, and the scenario's time for both.

Rules of the room:
- One time for all: while it is held the analysers say nothing new and the service's clock stands still.
- Whoever plays an analyser and fails stops all of it: nobody waits for a time that does not come.
- Whatever happens nothing is left running: the service ends at the end of its standard input.
"""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Self

from capture.commands.common import Bench, load
from capture.errors import TidewireError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from simulators.cable import Step
    from simulators.clinic import Clinic
    from simulators.play import Player

START_WITHIN_S = 15.0
STOP_WITHIN_S = 15.0
ANSWER_WITHIN_S = 5.0
HEARD_WITHIN_S = 15.0


class Served:
    """The service's process. Its clock stands still until `tell(running=True)`."""

    def __init__(self, place: Path, scene: Clinic) -> None:
        self.words = place / "service.log"
        opened = scene.parts[0].session.opened
        config = place / "tidewire.toml"
        self.bench = Bench(load(config))
        with self.words.open("wb") as log:
            self.process = subprocess.Popen(  # noqa: S603 - our own program
                [
                    sys.executable,
                    "-m",
                    "capture.commands.demo.service",
                    str(config),
                    f"{scene.speed}",
                    opened.isoformat(),
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                cwd="/",
                env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
                bufsize=0,
            )

    def up(self) -> None:
        """Wait until it receives from every analyser. Raises TidewireError."""
        deadline = time.monotonic() + START_WITHIN_S
        while time.monotonic() < deadline and self.process.poll() is None:
            status = self.bench.ask_running("status")
            if status is not None and all(one["state"] == "receiving" for one in status["analysers"]):
                return
            time.sleep(0.05)
        raise self.failed("the service did not come up")

    def failed(self, what: str) -> TidewireError:
        """An error that says where its own words are."""
        return TidewireError(f"{what}; its own words are in {self.words}")

    def tell(self, running: bool) -> None:
        """Let its clock run or stand still, and wait until it does. A service that has gone is noticed by who asks it."""
        word = b"go\n" if running else b"hold\n"
        said, heard = self.process.stdin, self.process.stdout
        if said is None or heard is None or said.closed:
            return
        with contextlib.suppress(OSError):
            said.write(word)
            if select.select([heard], [], [], ANSWER_WITHIN_S)[0]:
                heard.read(64)

    def stop(self) -> None:
        """End it in order; where that takes too long, end it all the same."""
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()
        try:
            self.process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


class Stage:
    """Analysers and service. `before`: called with each step that belongs to a cue, before it is on the line; it may block."""

    def __init__(self, place: Path, scene: Clinic) -> None:
        from simulators.pace import Pace
        from simulators.play import Player

        self.scene = scene
        self.stop = threading.Event()
        self.before: Callable[[Step], None] = lambda _: None
        self._sent = {part.analyser: 0 for part in scene.parts}
        self._steps = {part.analyser: 0 for part in scene.parts}
        self._failed: list[Exception] = []
        self._threads: list[threading.Thread] = []
        self._players: dict[str, Player] = {}
        self.pace = Pace(scene.speed, held=True, told=self._tell)
        with contextlib.ExitStack() as left:
            for part in scene.parts:
                player = Player(
                    part.session,
                    link=place / "ports" / part.analyser,
                    bytes_per_s=part.session.format.bytes_per_s,
                    reader_s=START_WITHIN_S,
                    pace=self.pace,
                )
                self._players[part.analyser] = left.enter_context(player)
            self.service = Served(place, scene)  # after the ports: it finds them there
            left.callback(self.service.stop)
            left.callback(self._end)
            self._left = left.pop_all()

    @property
    def bench(self) -> Bench:
        """Whom to ask."""
        return self.service.bench

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._left.close()

    def begin(self) -> None:
        """Bring the service up, then let the scenario begin. Raises TidewireError."""
        self.service.up()
        for name, player in self._players.items():
            thread = threading.Thread(target=self._play, args=(name, player), daemon=True)
            self._threads.append(thread)
            thread.start()
        self.pace.release()

    def _tell(self, running: bool) -> None:
        self.service.tell(running)

    def _play(self, name: str, player: Player) -> None:
        """Play one analyser. Bytes take real time on a line, and none in the scenario: minutes stay what they are."""

        def before(step: Step) -> None:
            self.before(step)
            self.pace.hold()

        def after(step: Step) -> None:
            self.pace.release()
            self._sent[name] += len(step.data)
            self._steps[name] += 1

        try:
            player.play(self.stop, after, before)
        except Exception as error:  # noqa: BLE001 - told by whoever waits for this analyser
            self._failed.append(error)
            self.stop.set()

    def heard(self, before_ms: float) -> None:
        """Wait until all that was said before `before_ms` of the scenario is stored. Raises TidewireError."""
        deadline = time.monotonic() + HEARD_WITHIN_S
        due = {part.analyser: sum(step.at_ms < before_ms for step in part.session.steps) for part in self.scene.parts}
        while time.monotonic() < deadline and not self._failed:
            if all(self._steps[name] >= count for name, count in due.items()):
                sent = dict(self._sent)
                status = self.bench.ask_running("status")
                if status is None:
                    raise self.service.failed("the service has gone")
                stored = {one["analyser"]: int(one["bytes"]) for one in status["analysers"]}
                if all(stored[name] >= size for name, size in sent.items()):
                    return
            time.sleep(0.005)
        why = f": {self._failed[0]}" if self._failed else ""
        raise self.service.failed(f"not all that the analysers said was received{why}")

    def passed_on(self) -> None:
        """Wait until every record has reached the folder. Raises TidewireError."""
        deadline = time.monotonic() + HEARD_WITHIN_S
        while time.monotonic() < deadline:
            if not any(one["waiting"] for one in self.bench.ask("status")["destinations"]):
                return
            time.sleep(0.05)
        raise self.service.failed("not all records were passed on")

    def _end(self) -> None:
        self.stop.set()
        for thread in self._threads:
            thread.join(ANSWER_WITHIN_S)
