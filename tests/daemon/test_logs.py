"""The log: one line an event, for people or machines, and nothing in it can fake a line or move a cursor."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Literal

import pytest
import structlog

from capture.daemon import logs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Form = Literal["lines", "json"]

HOSTILE = "gone\n2026-11-24 [error] fake\x1b[2J\x9b\u202e\u2028 é µ"


@pytest.fixture
def logged(capsys: pytest.CaptureFixture[str]) -> Iterator[Callable[..., str]]:
    """Set up, log one line with a logger of its own, and read it back."""

    def log(form: Form, event: str, level: str = "info", at: str = "info", **given: object) -> str:
        logs.set_up(form, at)
        getattr(structlog.get_logger(), level)(event, **given)
        return capsys.readouterr().err

    yield log
    structlog.reset_defaults()


@pytest.mark.parametrize("form", ["lines", "json"])
def test_control_characters_are_written_out_and_an_event_stays_one_line(logged: Callable[..., str], form: Form) -> None:
    text = logged(form, HOSTILE, words=HOSTILE)

    assert text.count("\n") == 1
    assert all(each.isprintable() for each in text.rstrip("\n"))
    assert "é µ" in text if form == "lines" else "\\u00e9 \\u00b5" in text  # what can be printed stays


def test_json_is_one_object_a_line_with_time_and_level(logged: Callable[..., str]) -> None:
    line = json.loads(logged("json", "port", "warning", analyser="h2-a", words="gone\x1b"))

    assert line.pop("timestamp").endswith("Z")
    assert line == {"event": "port", "level": "warning", "analyser": "h2-a", "words": "gone\\x1b"}


def test_lines_for_people_say_the_same(logged: Callable[..., str]) -> None:
    text = logged("lines", "port", "warning", analyser="h2-a", words="the cable was pulled")

    assert "[warning" in text
    assert "analyser=h2-a" in text
    assert "words='the cable was pulled'" in text


def test_what_is_below_the_level_is_not_said(logged: Callable[..., str]) -> None:
    assert logged("json", "chatter", "info", at="warning") == ""


@pytest.mark.parametrize("form", ["lines", "json"])
def test_a_traceback_shows_the_way_but_no_values_and_no_control_character(
    logged: Callable[..., str], form: Form
) -> None:
    """A driver's error may quote the wire, and a frame may hold a person's name: values of variables are never shown."""
    subject = "Heron" + " Invented"
    text = ""
    try:
        int(f"{subject[:5]}\x1b[31m")
    except ValueError:
        text = logged(form, "not recordable", "exception", analyser="h2-a")

    assert "ValueError: invalid literal" in text
    assert "test_logs.py" in text
    assert "\x1b" not in text
    assert subject not in text
