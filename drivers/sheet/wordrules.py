"""Words that must be known ones: units, events, clock patterns. Looked at in what the TOML says, whatever else is wrong.

Each mistake with the path of its key and the cure; what is no text, table or list here is the model's to complain of.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

from drivers.contract import EVENTS, GASES
from drivers.sheet.clocks import compile_clock
from drivers.sheet.units import KNOWN_UNITS, unit_mistake
from drivers.tomltext import nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from drivers.tomltext import Path

    Said: TypeAlias = tuple[Path, str]


def word_mistakes(data: Mapping[str, Any]) -> Iterator[Said]:
    """Every word of a sheet that nobody knows."""
    listed = data.get("units")
    units = (
        KNOWN_UNITS.union(each for each in listed if isinstance(each, str)) if isinstance(listed, list) else KNOWN_UNITS
    )
    messages = data.get("message")
    for n, message in enumerate(messages if isinstance(messages, list) else ()):
        yield from _clock(("message", n, "clock"), _table(_table(message).get("clock")))
        yield from _event(("message", n, "event"), _table(_table(message).get("event")))
        yield from _units(("message", n), _table(message), units)


def _table(said: Any) -> Mapping[str, Any]:  # noqa: ANN401 - whatever the text said
    return said if isinstance(said, dict) else {}


def _clock(path: Path, said: Mapping[str, Any]) -> Iterator[Said]:
    pattern = said.get("as")
    if isinstance(pattern, str):
        try:
            compile_clock(pattern)
        except ValueError as error:
            yield (*path, "as"), str(error)


def _event(path: Path, said: Mapping[str, Any]) -> Iterator[Said]:
    found = [((*path, "always"), said.get("always"))]
    found += [((*path, "map", word), event) for word, event in _table(said.get("map")).items()]
    for where, word in found:
        if isinstance(word, str):
            yield from _known(where, word, EVENTS)


def _known(path: Path, word: str, words: Iterable[str]) -> Iterator[Said]:
    choice = sorted(words)
    if word not in choice:
        near = nearest(word, choice)
        cure = f'did you mean "{near}"?' if near else f"write one of {', '.join(choice)}"
        yield path, f'unknown word "{word}"; {cure}'


def _units(path: Path, message: Mapping[str, Any], units: frozenset[str]) -> Iterator[Said]:
    quantities = [((*path, name), _table(message.get(name))) for name in (*GASES, "oxygen")]
    quantities += [((*path, "other", name), _table(said)) for name, said in _table(message.get("other")).items()]
    for where, said in quantities:
        unit = said.get("unit")
        what = unit_mistake(unit, units) if isinstance(unit, str) else None
        if what is not None:
            yield (*where, "unit"), what
