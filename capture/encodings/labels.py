"""A sheet of labels for the containers and time points of one breath test, to be printed: HTML with Code 128 inside.

Rules of the room, and:
- What is scanned is what is read beneath it, letter for letter: the place's label, e.g. `K7-60`.
- The person's identifier stands on each label, so that a container can be told by it too: the sheet is patient data.
- Code 128 (ISO/IEC 15417) is made by python-barcode; here its modules become bars, black on white, at true size.
"""

from __future__ import annotations

from html import escape
from itertools import groupby
from typing import TYPE_CHECKING

from barcode.codex import Code128

if TYPE_CHECKING:
    from capture.record.breath_test import BreathTest, TimePoint

MODULE_MM = 0.33
"""Width of the narrowest bar: wide enough for office printers and hand-held scanners. Common practice."""

QUIET_MODULES = 10
"""Empty modules at either side, as the standard wants at least (ISO/IEC 15417, from memory)."""

HEIGHT_MM = 12

_STYLE = """\
@page { size: A4; margin: 10mm }
body { font-family: sans-serif; font-size: 9pt; margin: 0 }
main { display: flex; flex-wrap: wrap; gap: 4mm 2mm }
figure { margin: 0; padding: 2mm; width: 58mm; border: 0.2mm dashed #000; break-inside: avoid; text-align: center }
svg { display: block; margin: 0 auto; max-width: none }
strong { font-size: 13pt; letter-spacing: 0.5pt }"""


_PAIR_99 = 99


class _Code128(Code128):  # type: ignore[misc]  # the library has no types
    """The library takes the digits 99 at the beginning for the change to code C that has the same number, and drops them."""

    def _try_to_optimize(self, encoded: list[int]) -> list[int]:
        # It begins in code C, where no change to code C can be: what has that number there is a pair of digits.
        return encoded if encoded[1] == _PAIR_99 else super()._try_to_optimize(encoded)


def widths(text: str) -> tuple[int, ...]:
    """The symbol for a text as modules, bar and space in turn, from the first bar to the last.

    Raises ValueError where the text is empty or not ASCII.
    """
    if not text or not text.isascii():
        raise ValueError(f'no label can be made of "{text}": write letters, digits and hyphens, e.g. "K7-60"')
    (modules,) = _Code128(text).build()
    return tuple(len(list(run)) for _, run in groupby(modules))


def sheet(test: BreathTest) -> str:
    """The sheet for all time points of a test, as an HTML page that is well-formed XML too."""
    title = escape(f"Breath test {test.label}")
    person = escape(test.subject.value)
    about = escape(f"{test.protocol.title} ({test.protocol.name} {test.protocol.version}), {test.site}, {test.bench}")
    labels = "\n".join(_label(point, person) for point in test.points)
    return f"""\
<!DOCTYPE html>
<html xmlns="http://www.w3.org/1999/xhtml" lang="en">
<head><meta charset="utf-8"/><title>{title}</title>
<style>
{_STYLE}
</style></head>
<body>
<p>{title}, {person}: {about}. Print at 100 %, not fitted to the page.</p>
<main>
{labels}
</main>
</body>
</html>
"""


def _label(point: TimePoint, person: str) -> str:
    return (
        f"<figure>{_svg(point.label)}"
        f"<figcaption><strong>{escape(point.label)}</strong><br/>{_spoken(point)}<br/>{person}</figcaption></figure>"
    )


def _spoken(point: TimePoint) -> str:
    if point.role == "timed" and point.nominal_min is not None:
        return f"{point.nominal_min:f} min"
    return escape(point.role)


def _svg(text: str) -> str:
    """The symbol at true size; a unit of the drawing is a module."""
    height = HEIGHT_MM / MODULE_MM
    at = QUIET_MODULES
    bars = []
    for place, width in enumerate(widths(text)):
        if place % 2 == 0:
            bars.append(f"M{at} 0h{width}v{height:.2f}h-{width}z")
        at += width
    whole = at + QUIET_MODULES
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{escape(text)}" '
        f'width="{whole * MODULE_MM:.2f}mm" height="{HEIGHT_MM}mm" viewBox="0 0 {whole} {height:.2f}" '
        f'preserveAspectRatio="none" shape-rendering="crispEdges"><path d="{"".join(bars)}"/></svg>'
    )
