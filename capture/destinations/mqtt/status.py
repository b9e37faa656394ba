"""The retained word of a bench: whether its service is connected, and how its analysers are.

Said when the connection is made (`online`), whenever an analyser's state changes, and at an orderly end (`offline`).
When the connection is lost the broker says it for us (the last will): `offline`, with `since` null, because a will is
written beforehand and nobody knows when it will be needed. While `offline` every analyser's state is null: unknown.

`bench-status/1` is a format of its own, open as the records are; its schema is made of this model:

    python -m capture.destinations.mqtt.status      rewrites schemas/bench-status-1.json
"""

from __future__ import annotations

from datetime import datetime  # noqa: TC003 - pydantic reads it
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from capture.record import numbers, schema, text
from capture.record.base import Instant, Part, Slug, open_list, told
from capture.record.parts import Producer  # noqa: TC001 - as above

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.destinations.mqtt.topics import Topics

PUBLISHED = schema.Published("bench-status", 1, "whether a bench is connected, and how its analysers are")


class AnalyserStatus(Part):
    """One analyser of the bench."""

    id: Slug = told("Its name in the configuration.")
    state: Annotated[str, open_list("opening", "receiving", "gone", "refused", "ended", "stopped")] | None = told(
        "How its port is; null: unknown, because the bench is offline."
    )


class BenchStatus(Part):
    """Whether a bench is connected, and how its analysers are."""

    format: Literal["bench-status/1"] = told("The format of this message and its major version.")
    site: Slug = told("The site, as configured.")
    bench: Slug = told("The bench, as configured.")
    state: Literal["online", "offline"] = told("Whether the bench's service is connected to the broker.")
    since: Instant | None = told(
        "When that state began, RFC 3339 in UTC with milliseconds; null: unknown, the connection was lost."
    )
    producer: Producer = told("The program that wrote this.")
    analysers: tuple[AnalyserStatus, ...] = told("The analysers, in the order of the configuration.")


def online(topics: Topics, since: datetime, analysers: Mapping[str, str]) -> bytes:
    """The bench is connected; `analysers`: their states by id."""
    return _written(topics, "online", since, dict(analysers))


def offline(topics: Topics, since: datetime | None, analysers: Mapping[str, str]) -> bytes:
    """The bench is not connected; `since` None: the last will."""
    return _written(topics, "offline", since, dict.fromkeys(analysers))


def _written(
    topics: Topics, state: Literal["online", "offline"], since: datetime | None, analysers: Mapping[str, str | None]
) -> bytes:
    status = BenchStatus(
        format="bench-status/1",
        site=topics.site,
        bench=topics.bench,
        state=state,
        since=since,
        producer=text.producer(),
        analysers=tuple(AnalyserStatus(id=name, state=state) for name, state in analysers.items()),
    )
    return numbers.dumps(status.model_dump()).encode()


def build() -> dict[str, Any]:
    """The schema to publish, made of the model as it is now."""
    return schema.document(PUBLISHED, BenchStatus.model_json_schema(mode="serialization", by_alias=True))


def committed() -> str:
    """The text of the committed schema."""
    return (resources.files(__package__) / "schemas" / PUBLISHED.file).read_text(encoding="utf-8")


if __name__ == "__main__":
    made = numbers.pretty(build()) + "\n"
    (Path(__file__).parent / "schemas" / PUBLISHED.file).write_text(made, encoding="utf-8")
