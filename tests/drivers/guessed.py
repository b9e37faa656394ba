"""The guess of texts as they come over a line."""

from __future__ import annotations

from drivers.guess import Guess, Sample, guess


def said(*texts: bytes, every_ms: int = 1000) -> Guess:
    """The guess of texts that come `every_ms` apart."""
    sample = Sample()
    for place, text in enumerate(texts):
        sample.add(place * every_ms, text)
    return guess(sample.bursts())
