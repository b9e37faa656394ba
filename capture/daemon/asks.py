"""What may be asked of a journal, running or stopped: one table of names, the same answers both ways."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.acts import desk, look, settling, tests
from capture.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.journal.store import Store

LOOKS: dict[str, Callable[..., Any]] = {
    "readings": look.readings,
    "explain": look.explain,
    "refused": look.refused,
    "streams": look.streams_seen,
    "totals": look.totals,
    "destinations": look.destinations,
    "typed-in": look.typed_in,
    "reservation-ended": desk.ended,
    "test-list": tests.list_tests,
    "test-show": tests.show_test,
    "tests-of": settling.tests_of,
}


async def answer(store: Store, name: str, given: dict[str, Any]) -> Any:  # noqa: ANN401 - whatever JSON can carry
    """Carry out one look. Raises UsageError for a name or argument that does not exist."""
    if name == "reconcile":
        audit = look.audit(**given)
        while await store.run(audit.step, write=False):
            pass
        return look.books(audit)
    if name not in LOOKS:
        raise UsageError(f"nothing answers to '{name}'; command and service may be of different versions")
    call = LOOKS[name]
    try:
        return await store.run(lambda tx: call(tx, **given), write=False)
    except TypeError as error:
        raise UsageError(
            f"'{name}' was asked wrongly ({error}); command and service may be of different versions"
        ) from None
