"""TOML with positions: what a file says, and the line on which each key says it.

Rules of the room:
- `tomllib` decides what the text means; the scanner beside it only finds the lines and runs over text that is valid.
- Linear: every character is looked at once. No regular expressions.
- Every error is one line: file, line, what is wrong, and what to write instead.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

Path: TypeAlias = tuple[str | int, ...]
"""Keys and 0-based places in arrays, from the top: `("analyser", 1, "serial", "baud")`."""

_BARE = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-")


class TomlError(ValueError):
    """The text is not TOML; `str()` is one line with file, line and what is wrong."""

    def __init__(self, said: str) -> None:
        super().__init__(one_line(said))


@dataclass(frozen=True, slots=True)
class Document:
    """What a TOML text says (`data`) and where: `name` is what errors call the file."""

    name: str
    data: dict[str, Any]
    lines: Mapping[Path, int] = field(repr=False)

    def line_of(self, path: Path) -> int:
        """Line (from 1) of a key; of the nearest enclosing key or table header where the key itself is absent."""
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return line
        return 1

    def where(self, path: Path) -> str:
        """`NAME, line 12, analyser.2.serial.baud`: places in arrays counted from 1, as people count."""
        return f"{self.name}, line {self.line_of(path)}" + (f", {spoken(path)}" if path else "")


def spoken(path: Path) -> str:
    """A key path as a person writes it; a key that is not bare stands in quotes, places count from 1."""
    return ".".join(
        str(part + 1) if isinstance(part, int) else part if part and _BARE.issuperset(part) else f'"{part}"'
        for part in path
    )


def one_line(said: str) -> str:
    """What is said, with every sign that cannot be printed as TOML writes it: a text of the file may hold any."""
    return "".join(each if each.isprintable() else f"\\u{ord(each):04X}" for each in said)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like `word`, or None if nothing is near."""
    by_folded = {each.casefold(): each for each in known}
    close = difflib.get_close_matches(word.casefold(), list(by_folded), n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def read_toml(text: str, name: str, parse_float: Callable[[str], Any] = float) -> Document:
    """Read TOML text; `name` is the file's name in errors, `parse_float` as in `tomllib` (Decimal keeps digits).

    Raises TomlError.
    """
    if text.startswith("\ufeff"):
        raise TomlError(f"{name}, line 1: the file begins with a byte order mark; save it as UTF-8 without one")
    try:
        data = tomllib.loads(text, parse_float=parse_float)
        lines = _Scanner(text.replace("\r\n", "\n")).scan()
    except RecursionError:
        raise TomlError(f"{name}, line 1: values are nested too deeply; write them flatter") from None
    except ValueError as error:
        raise TomlError(_said(text, name, str(error))) from None
    document = Document(name, data, lines)
    for path in _too_long(data):
        raise TomlError(f"{document.where(path)}: {_DIGITS}")
    return document


_DIGITS = "a number has more digits than anything has; write at most 18"


def _too_long(data: dict[str, Any]) -> Iterator[Path]:
    """Every whole number of more than 18 digits: nobody means it, and to say it again may take longer than Python allows."""
    found: list[tuple[Path, Any]] = [((), data)]
    while found:
        path, said = found.pop()
        inside = said.items() if isinstance(said, dict) else enumerate(said) if isinstance(said, list) else ()
        found += [((*path, key), each) for key, each in inside]
        if isinstance(said, int) and abs(said) >= 10**18:
            yield path


def _said(text: str, name: str, complaint: str) -> str:
    """Turn tomllib's `What (at line 3, column 7)` into our one line, with the text of that line."""
    what, _, at = complaint.rpartition(" (at ")
    rows = text.split("\n")
    if at.startswith("line "):
        number, _, column = at.removeprefix("line ").rstrip(")").partition(", column ")
        line, place = int(number), f", column {column}"
    else:
        line, place = len(rows), ", at the end of the file"
        if not what:  # of all complaints only that of a number which no program of ours could say again
            line = _longest_number(rows)
            return f"{name}, line {line}: {_DIGITS}"
    row = rows[line - 1].strip()
    shown = f' in "{row[:60]}"' if row else ""
    cure = _cure(what, row) if at.startswith("line ") else "close what the last key opened"
    if cure == _QUOTES:
        what = "a quote is missing"
    what = what.replace("('", "[").replace("', '", ".").replace("',)", "]").replace("')", "]")
    return f"{name}, line {line}{place}: {what[:1].lower()}{what[1:]}{shown}; {cure}"


def _longest_number(rows: Sequence[str]) -> int:
    """The line with the longest run of digits that stands in no text and no comment."""
    most, found = 0, 1
    for line, row in enumerate(rows, 1):
        bare = " ".join(row.replace("'", '"').split('"')[::2]).partition("#")[0]
        runs = "".join(each if each.isdigit() or each == "_" else " " for each in bare).split()
        longest = max(map(len, runs), default=0)
        if longest > most:
            most, found = longest, line
    return found


_CURES = {
    "Cannot overwrite a value": "write each key once",
    "Duplicate inline table key": "write each key once",
    "Cannot declare": "write each table once",
    "Cannot mutate immutable namespace": "write all keys of { ... } inside its braces",
    "Invalid value": 'write a text in quotes, e.g. "ppm"',
    "Unescaped": r"write a backslash as \\, a byte as \u0002",
    "Illegal character '\\n'": "close the quotes on the same line",
    "Invalid initial character for a key part": "write { ... } on one line, or as a table of its own, [name]",
    "Expected '='": "write key = value, a number with a point",
    "Unclosed array": "close the list with ]",
    "Unclosed inline table": "close { with }, commas between its keys",
    "Expected newline": "write one key on each line",
    "Expected ']": "close the brackets",
}
"""What to do, by how the complaint of `tomllib` begins."""


_QUOTES = "write each text between two quotes"


def _cure(complaint: str, row: str) -> str:
    if "“" in row or "”" in row or "„" in row:
        return 'write straight quotes: "'
    quotes = row.replace(r"\"", "").count('"')
    if quotes % 2 and complaint.startswith(("Unclosed", "Invalid value", "Expected")):
        return _QUOTES
    if complaint.startswith("Cannot overwrite") and row.startswith("[["):
        return "write this table in double brackets everywhere"
    found = (cure for begin, cure in _CURES.items() if complaint.startswith(begin))
    return next(found, "write it as TOML 1.0 has it")


class _Scanner:
    """Walks valid TOML once and notes the line of each key, table header and array element."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.counted_to = 0
        self.line = 1
        self.lines: dict[Path, int] = {}
        self.tables: dict[Path, int] = {}  # arrays of tables and how many they hold so far

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        while self.skip("\n"):
            if self.text.startswith("[[", self.at):
                self.at += 2
                path = self.resolved(self.key())
                count = self.tables.get(path, 0)
                self.tables[path] = count + 1
                table = (*path, count)
                self.note(table)
                self.at += 2
            elif self.text[self.at] == "[":
                self.at += 1
                table = self.resolved(self.key())
                self.note(table)
                self.at += 1
            else:
                self.pair(table)
        return self.lines

    def resolved(self, keys: Path) -> Path:
        """A header's path: inside an array of tables it means the last table so far."""
        path: Path = ()
        for key in keys:
            if path in self.tables:
                path = (*path, self.tables[path] - 1)
            path = (*path, key)
        return path

    def note(self, path: Path) -> None:
        """The line here belongs to `path`, and to those above it that have no line of their own."""
        self.line += self.text.count("\n", self.counted_to, self.at)
        self.counted_to = self.at
        for length in range(len(path), 0, -1):
            self.lines.setdefault(path[:length], self.line)

    def skip(self, also: str) -> bool:
        """Go over blanks, the characters in `also`, and comments; whether anything is left."""
        while self.at < len(self.text):
            here = self.text[self.at]
            if here == "#":
                self.at = self.end_of_line()
            elif here in " \t" or here in also:
                self.at += 1
            else:
                return True
        return False

    def end_of_line(self) -> int:
        end = self.text.find("\n", self.at)
        return len(self.text) if end < 0 else end

    def key(self) -> Path:
        """A dotted key; stops before `=` or `]`."""
        parts: list[str | int] = []
        while True:
            self.skip("")
            begin = self.at
            if self.text[begin] in "\"'":
                self.string()
                parts.append(tomllib.loads(f"key = {self.text[begin : self.at]}")["key"])
            else:
                while self.text[self.at] in _BARE:
                    self.at += 1
                parts.append(self.text[begin : self.at])
            self.skip("")
            if self.text[self.at] != ".":
                return tuple(parts)
            self.at += 1

    def pair(self, table: Path) -> None:
        """`key = value`."""
        path = (*table, *self.key())
        self.note(path)
        self.at += 1
        self.skip("")
        self.value(path)

    def value(self, path: Path) -> None:
        here = self.text[self.at]
        if here in "\"'":
            self.string()
        elif here == "[":
            self.at += 1
            place = 0
            while self.skip("\n,") and self.text[self.at] != "]":
                self.note((*path, place))
                self.value((*path, place))
                place += 1
            self.at += 1
        elif here == "{":
            self.at += 1
            while self.skip("\n,") and self.text[self.at] != "}":
                self.pair(path)
            self.at += 1
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def string(self) -> None:
        """Go over a string of any of the four kinds."""
        quote = self.text[self.at]
        mark = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(mark)
        while not self.text.startswith(mark, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(mark)
        while len(mark) == 3 and self.text.startswith(quote, self.at):
            self.at += 1  # up to two quotes may stand directly before the closing three
