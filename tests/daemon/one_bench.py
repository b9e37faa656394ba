"""A session over the tests' journal, and what it left there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.acts import look
from capture.config.model import Analyser
from capture.daemon import session as room
from capture.daemon.session import Session
from capture.journal import streams
from tests import kit
from tests.daemon.hands import Clock, ScriptedPort, driver

if TYPE_CHECKING:
    import pytest

    from capture.journal.store import Store
    from capture.ports.base import Port
    from drivers.contract import Driver


class Bench:
    """A session over the tests' journal; each opening of its port takes the next of `ports`."""

    def __init__(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        self.store: Any = store
        self.clock = Clock()
        self.ports: list[Port | Exception] = []
        monkeypatch.setattr(room, "open_port", lambda *_: self._next())
        monkeypatch.setattr(room, "BACK_OFF_S", (0.001, 0.002))

    def _next(self) -> Port:
        port = self.ports.pop(0)
        if isinstance(port, Exception):
            raise port
        return port

    def session(self, used: Driver | None = None, *, may_write: bool = True) -> Session:
        return Session(
            analyser=Analyser(id="h2-a", port="/dev/ttyUSB7", driver="by-hand", may_write=may_write),
            driver=used or driver(),
            purpose="training",
            store=self.store,
            bench=kit.BENCH,
            clock=self.clock,
            driver_of=lambda _name, sha256: used if used is not None and used.sha256 == sha256 else None,
        )

    async def run(self, *steps: Any, used: Driver | None = None, may_write: bool = True, **port: Any) -> ScriptedPort:
        """A whole session over a finite scripted port."""
        made = ScriptedPort(self.clock, list(steps), **port)
        self.ports.append(made)
        await self.session(used or driver(), may_write=may_write).run()
        return made

    def items(self, no: int = 1) -> list[tuple[str, int, int]]:
        rows = self.store.call(lambda tx: streams.items_from(tx, no, 0, 100_000))
        return [(row.kind, row.spans[0].start, row.spans[-1].end) for row in rows]

    def details(self, no: int = 1) -> list[str | None]:
        return [row.detail for row in self.store.call(lambda tx: streams.items_from(tx, no, 0))]

    def script(self, no: int = 1) -> str:
        return "".join(script.text for script in self.store.call(lambda tx: streams.scripts_after(tx, no, 0, 10_000)))

    def ended(self, no: int = 1) -> str | None:
        found: str | None = self.store.call(lambda tx: streams.ended(tx, no))
        return found

    def records(self, kind: str = "reading") -> list[str]:
        return [row["text"] for row in self.store.call(lambda tx: look.readings(tx, kind=kind))["records"]]
