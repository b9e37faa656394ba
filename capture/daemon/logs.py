"""Log lines: for a terminal, or one JSON object a line. To standard error, where systemd's journal takes them.

Rules of the room:
- Never a subject, never raw frame text; whatever comes from outside has its control characters written out.
"""

from __future__ import annotations

import logging
import sys
from typing import TYPE_CHECKING, Any, Literal

import structlog

if TYPE_CHECKING:
    from collections.abc import MutableMapping


def set_up(form: Literal["lines", "json"] = "lines", level: str = "info") -> None:
    """Set up logging for this process."""
    last: Any = (
        structlog.processors.JSONRenderer()
        if form == "json"
        else structlog.dev.ConsoleRenderer(
            colors=sys.stderr.isatty(), pad_event_to=0, exception_formatter=structlog.dev.plain_traceback
        )
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _written_out,
            last,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(getattr(logging, level.upper())),
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=False,  # set up again (a test, a command in this process) must count everywhere
    )


def _written_out(_logger: object, _method: str, fields: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """A control character from the wire could rewrite the terminal or fake a line: it is written as an escape."""
    for key, value in fields.items():
        if isinstance(value, str) and not value.isprintable():
            kept = "\n" if key == "exception" else ""  # a traceback is many lines; its words come from outside too
            fields[key] = "".join(c if c.isprintable() or c in kept else ascii(c)[1:-1] for c in value)
    return fields
