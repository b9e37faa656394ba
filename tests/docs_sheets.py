"""The parts of drivers/sheet/SHEETS.md that are made from the built-in sheets and the model. `tests.docs` writes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers import registry, telling
from drivers.contract import Result
from drivers.hearing import heard_bytes, play, raw_of
from drivers.recording import decode
from drivers.sheet.fields import readable

if TYPE_CHECKING:
    from drivers.contract import Driver

FAMILIES = {
    "delimited-line": "Fields between separators, on a line",
    "fixed-columns": "Texts at fixed columns of a line",
    "label-block": "Labels and values, in a block between two marks",
    "key-value": "Key and value pairs on a line, each value with its unit",
    "numbered-lines": "Several lines make one result",
    "fixed-frame": "Frames of one length",
    "counted-frame": "Frames that say their length",
    "gap-frame": "Frames that silence ends",
    "hl7-oru": "HL7 v2 results: rows, fields and components",
}
"""The built-in sheets that are shown, each with what it is an example of."""


def source_of(name: str) -> str:
    """The text of a built-in sheet."""
    return (registry.SHEETS / name / "sheet.toml").read_text(encoding="utf-8").rstrip("\n")


def first_result(name: str) -> tuple[Driver, Result, bytes]:
    """The first result that a built-in sheet's recording of breath gives, and the bytes from its first to its last."""
    driver = registry.builtin()[name]
    entries = decode((registry.SHEETS / name / "recordings" / "breath.txt").read_bytes()).entries
    result = next(item for item in play(driver, entries) if isinstance(item, Result))
    return driver, result, raw_of(heard_bytes(entries), result.spans)


def example() -> str:
    """The example: the sheet, and one line against the sheet's lines, as `explain` shows it."""
    source = source_of("example")
    driver, result, raw = first_result("example")
    rows = source.splitlines()
    shown = [f"```toml\n{source}\n```", "", "One line, byte for byte, against the line of the sheet that reads it:", ""]
    shown += ["| bytes | is | says | line of the sheet |", "|---|---|---|---|"]
    start = result.spans[0].start
    for part in driver.layout(raw, start):
        if part.line is not None:
            text = readable(raw[part.span.start - start : part.span.end - start])
            key = rows[part.line - 1].partition(" =")[0]
            shown.append(f"| `{text}` | {part.name} | {part.said} | {part.line}, `{key}` |")
    shown += ["", "and what becomes of it:", "", f"```text\n{telling.told(result)}\n```"]
    return "\n".join(shown)


def families() -> str:
    """Each family: the sheet as it is built in, a frame, and what it gives."""
    shown: list[str] = []
    for name, title in FAMILIES.items():
        _, result, raw = first_result(name)
        text = (
            readable(raw).replace("\\x0D\\x0A", "\\x0D\\x0A\n").replace("\\x0D", "\\x0D\n").replace("\n\\x0A", "\\x0A")
        )
        frame = "\n".join(row for row in text.split("\n") if row)
        shown += [f"### {title}: `{name}`", "", f"```toml\n{source_of(name)}\n```", ""]
        shown += [f"```text\n{frame}\n```", "", "gives", "", f"```text\n{telling.told(result)}\n```", ""]
    return "\n".join(shown).rstrip("\n")


def checks() -> str:
    """The checks that a sheet may name, with their value for the text that catalogues use."""
    from drivers.integrity import CHECKS

    rows = ["| check | bits | of `123456789` |", "|---|---|---|"]
    rows += [
        f"| `{name}` | {check.width} | `{check.written(b'123456789').decode()}` |" for name, check in CHECKS.items()
    ]
    return "\n".join(rows)
