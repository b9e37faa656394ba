"""The record's own text, as UTF-8, with a line end: journal, file and message carry the same bytes."""

from __future__ import annotations

SUFFIX = ".json"


def encode(text: str) -> bytes:
    """One record as one line."""
    return text.encode() + b"\n"
