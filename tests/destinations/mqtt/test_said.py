"""What stands beside a record in a message is what stands at the top of it, and nowhere else in it."""

from __future__ import annotations

import json
from pathlib import Path
from uuid import UUID

import pytest

from capture.destinations.mqtt.message import attributes
from capture.destinations.mqtt.topics import Topics
from capture.journal.deliveries import Parcel

GOLDEN = sorted((Path(__file__).parents[2] / "record" / "golden").glob("*.json"))
TOPICS = Topics("tidewire/1", "north-clinic", "bench-1")
TRAP = '"purpose":"production","received_at":"1999-01-01T00:00:00.000Z","format":"other/9"'


def said(text: str) -> tuple[str, str, str]:
    parcel = Parcel(7, "reading", UUID(int=7), 1, "h2-a", 0, "h2-a/reading", 7, text)
    made = attributes(parcel, TOPICS, UUID(int=1))
    return made["type"], made["time"], made["purpose"]


@pytest.mark.parametrize("golden", GOLDEN, ids=lambda path: path.stem)
def test_format_time_and_purpose_are_the_records_own(golden: Path) -> None:
    text = golden.read_text(encoding="utf-8").rstrip("\n")
    record = json.loads(text)
    name, major = record["format"].split("/")

    time = record["revised_at" if name == "breath-test" else "received_at"]
    assert said(text) == (f"tidewire.{name}.v{major}", time, record["purpose"])


def test_names_within_texts_and_objects_are_not_taken_for_the_records_own() -> None:
    record = json.loads((GOLDEN[0].parent / "reading-breath.json").read_text(encoding="utf-8"))
    first = {"format": record["format"], "note": TRAP, "purpose": record["purpose"]}
    text = json.dumps(first | record | {"other": json.loads(f"{{{TRAP}}}")}, separators=(",", ":"))

    assert said(text) == ("tidewire.breath-reading.v1", record["received_at"], record["purpose"])


def test_what_a_person_wrote_into_a_test_is_not_taken_for_the_tests_own() -> None:
    record = json.loads((GOLDEN[0].parent / "test-corrected.json").read_text(encoding="utf-8"))
    trap = '"revised_at":"1999-01-01T00:00:00.000Z","format":"other/9","purpose":"training"'
    record["change"]["reason"] = record["change"]["by"] = record["label"] = record["opened_by"] = trap

    made = said(json.dumps(record, separators=(",", ":")))

    assert made == ("tidewire.breath-test.v1", record["revised_at"], "production")


def test_a_text_that_is_no_record_is_said() -> None:
    with pytest.raises(ValueError, match="without format"):
        said("{}")
