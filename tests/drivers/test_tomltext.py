"""Where each key of a TOML text stands, and what is said when the text is none."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.tomltext import Path, TomlError, nearest, read_toml, spoken

TEXT = '''# a comment with key = "value"
[bench]
site = "north"   # said = "here"
note = """
[not.a.table]
inner = 1
ends with two quotes"""""
dotted.deep."quoted \\u0041 key".'lit.eral' = 1

[[analyser]]
id = "a"
serial = { baud = 19200, bits = 8, extra = { x = 1 } }
[[analyser]]
id = "b"
list = [
  1, # one
  [2, "]"], { inside = 'a # b' },
]
[analyser.serial]
baud = 9600
path = 'C:\\'
[[analyser.gas]]
name = "h2"
[[analyser.gas]]
name = "ch4"
esc = "quote \\" and = [ { # "
when = 2026-11-24 10:31:05
empty = ""
raw = \'\'\'
x = 1\'\'\'
[last . "dot.ted"]
z = -1.50'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("bench",), 2),
        (("bench", "site"), 3),
        (("bench", "note"), 4),
        (("bench", "dotted", "deep", "quoted A key", "lit.eral"), 8),
        (("bench", "dotted"), 8),
        (("analyser",), 10),
        (("analyser", 0), 10),
        (("analyser", 0, "id"), 11),
        (("analyser", 0, "serial", "baud"), 12),
        (("analyser", 0, "serial", "extra", "x"), 12),
        (("analyser", 1), 13),
        (("analyser", 1, "list"), 15),
        (("analyser", 1, "list", 0), 16),
        (("analyser", 1, "list", 1, 1), 17),
        (("analyser", 1, "list", 2, "inside"), 17),
        (("analyser", 1, "serial"), 19),
        (("analyser", 1, "serial", "baud"), 20),
        (("analyser", 1, "gas", 0, "name"), 23),
        (("analyser", 1, "gas", 1, "name"), 25),
        (("analyser", 1, "gas", 1, "empty"), 28),
        (("last", "dot.ted"), 31),
        (("last", "dot.ted", "z"), 32),
    ],
)
def test_each_key_has_its_line(path: Path, line: int) -> None:
    assert read_toml(TEXT, "x.toml").line_of(path) == line
    assert read_toml(TEXT.replace("\n", "\r\n"), "x.toml").line_of(path) == line


def test_an_absent_key_has_the_line_of_what_encloses_it() -> None:
    document = read_toml(TEXT, "x.toml")
    assert document.line_of(("analyser", 0, "serial", "parity")) == 12
    assert document.line_of(("analyser", 1, "nothing", "at", "all")) == 13
    assert document.line_of(("nothing",)) == 1
    assert document.line_of(()) == 1


def test_a_place_is_told_as_people_count() -> None:
    document = read_toml(TEXT, "x.toml")
    assert document.where(("analyser", 1, "serial", "baud")) == "x.toml, line 20, analyser.2.serial.baud"
    assert document.where(()) == "x.toml, line 1"
    assert spoken(("a", "b.c", "", 0)) == 'a."b.c"."".1'


def test_the_data_are_those_of_the_standard_library() -> None:
    assert read_toml(TEXT, "x.toml").data == tomllib.loads(TEXT)
    assert format(read_toml(TEXT, "x.toml", parse_float=Decimal).data["last"]["dot.ted"]["z"], "f") == "-1.50"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = 1\nb = \n", 'x.toml, line 2, column 5: invalid value in "b ="; write a text in quotes, e.g. "ppm"'),
        (
            "a = 1\na = 2\n",
            'x.toml, line 2, column 6: cannot overwrite a value in "a = 2"; write each key once',
        ),
        (
            'a = """x',
            'x.toml, line 1, at the end of the file: unterminated string in "a = \\"\\"\\"x"'.replace("\\", ""),
        ),
        ("a = [1,\n", "x.toml, line 2, at the end of the file: invalid value; close what the last key opened"),
        ("[a]\n[a]\n", 'x.toml, line 2, column 3: cannot declare [a] twice in "[a]"; write each table once'),
        (
            'a = "\\x02"\n',
            "x.toml, line 1, column 8: unescaped ",
        ),
        ("\ufeffa = 1", "x.toml, line 1: the file begins with a byte order mark; save it as UTF-8 without one"),
        ("a = " + "9" * 5000, "x.toml, line 1: a number has more digits"),
        ("a = " + "[" * 3000 + "]" * 3000, "x.toml, line 1"),
    ],
)
def test_text_that_is_no_toml_is_an_error_of_one_line(text: str, said: str) -> None:
    with pytest.raises(TomlError) as caught:
        read_toml(text, "x.toml")
    assert str(caught.value).startswith(said)
    assert "\n" not in str(caught.value)


def test_the_nearest_known_word_is_found_whatever_its_case() -> None:
    assert nearest("Pariti", ["parity", "stop"]) == "parity"
    assert nearest("zzz", ["parity", "stop"]) is None
    assert nearest("x", []) is None


keys = st.text("ab-_ .\"'é#=[]", max_size=4)
scalars = st.one_of(st.integers(-9, 9), st.booleans(), st.text("a\"'\\#[]{}=, \n", max_size=6))
values = st.recursive(
    scalars,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(keys, inner, max_size=3)),
    max_leaves=8,
)


def quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def inline(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        return "[" + ", ".join(inline(each) for each in value) + "]"
    return "{" + ", ".join(f"{quoted(key)} = {inline(each)}" for key, each in value.items()) + "}"


@given(st.dictionaries(keys, values, max_size=6), st.integers(0, 3))
@settings(max_examples=100, deadline=None)
def test_the_nth_key_of_a_generated_file_stands_on_its_line(data: dict[str, Any], blanks: int) -> None:
    text = ("\n" * blanks).join(f"{quoted(key)} = {inline(value)}\n" for key, value in data.items())
    document = read_toml(text, "x.toml")
    assert document.data == data
    for place, key in enumerate(data):
        assert document.line_of((key,)) == 1 + place * (blanks + 1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"a = 1\nb = {'9' * 5000}\n", "x.toml, line 2: "),
        (f"a = '{'1' * 6000}'  # {'1' * 6000}\nb = [1,\n{'9' * 5000}]\n", "x.toml, line 3: "),
        (f"a = 1\nb = 0x{'9' * 5000}\n", "x.toml, line 2, b: "),
        ("a = { b = [1, 1000000000000000000] }\n", "x.toml, line 1, a.b.2: "),
        ("a = -1000000000000000000\n", "x.toml, line 1, a: "),
    ],
)
def test_a_number_that_nobody_means_is_refused_in_our_own_words(text: str, said: str) -> None:
    with pytest.raises(TomlError) as caught:
        read_toml(text, "x.toml")

    assert str(caught.value) == f"{said}a number has more digits than anything has; write at most 18"


def test_a_number_of_eighteen_digits_is_one() -> None:
    assert read_toml("a = [999999999999999999, true]", "x.toml").data == {"a": [999_999_999_999_999_999, True]}


@given(st.text("a=[]{}\"'#\n., 1\\", max_size=30))
@settings(max_examples=200, deadline=None)
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    try:
        document = read_toml(text, "x.toml")
    except TomlError as error:
        assert "\n" not in str(error)  # noqa: PT017 - most texts are refused, some are read: both are right
    else:
        assert all(document.line_of((key,)) >= 1 for key in document.data)
