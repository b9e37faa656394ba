"""Ids anybody with the same bytes would make again."""

from itertools import combinations
from uuid import NAMESPACE_DNS, UUID, uuid5

import pytest

from capture.record import ids

STREAM = UUID("7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3")


def test_the_library_gives_the_published_name_based_uuid() -> None:
    # RFC 9562, appendix A.4: version 5, DNS namespace, www.example.com
    assert uuid5(NAMESPACE_DNS, "www.example.com") == UUID("2ed6657d-e927-568b-95e1-2665a8aea6a2")


def test_an_id_is_the_same_for_ever() -> None:
    """These four are our own, fixed when the namespaces were drawn: a change here breaks every receiver's memory."""
    assert ids.measurement("production", STREAM, 768, 0) == uuid5(
        UUID("e21357c6-1b93-465a-be1a-f6bfc0b78f9c"), "7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3/768/0"
    )
    assert ids.measurement("training", STREAM, 768, 0) == uuid5(
        UUID("50db8174-9e96-4540-8517-32256f477209"), "7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3/768/0"
    )
    assert ids.event("production", STREAM, 768, 3) == uuid5(
        UUID("6809a50f-946a-4997-9463-4f31a9e07f5a"), "7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3/768/3"
    )
    assert ids.port_event("training", STREAM, "gone") == uuid5(
        UUID("312db327-5b0e-4a68-8458-5150972650f0"), "7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3/gone/0"
    )


def test_nothing_that_differs_shares_an_id() -> None:
    other = UUID(int=STREAM.int + 1)
    made = [
        maker(purpose, stream, first, nth)
        for maker in (ids.measurement, ids.event)
        for purpose in ("production", "training")
        for stream in (STREAM, other)
        for first in (0, 1, 10)
        for nth in (0, 1, 10)
    ]
    made += [ids.port_event("training", STREAM, name, nth) for name in ("appeared", "gone") for nth in (0, 1)]
    assert all(one != two for one, two in combinations(made, 2))


def test_the_first_subject_has_the_measurements_own_id_and_each_later_one_its_own() -> None:
    measured = ids.measurement("production", STREAM, 0, 0)
    assert ids.reading(measured, 1) == measured
    assert ids.reading(measured, 2) == uuid5(measured, "subject/2")
    assert len({ids.reading(measured, nth) for nth in range(1, 20)}) == 19
    with pytest.raises(ValueError, match="counted from 1"):
        ids.reading(measured, 0)
