"""The configuration: one TOML file, read whole before anything starts, and refused whole if anything in it is wrong.

Rules of the room:
- Every error is one line: file, line, key, what is wrong, and what to write instead. Unknown keys are refused.
- Paths are absolute. A relative one is refused, never resolved: a service and a person at a shell stand in different
  folders, and a journal that appears in a second place looks like a lost one.
- Nothing is opened here: devices, drivers and folders are the daemon's business. No secrets in the file.
"""

from capture.config.destinations import KINDS, Destination, FolderDestination, MqttDestination, TlsTable
from capture.config.load import DEFAULT_PATH, Config, load, parse, problems
from capture.config.model import (
    PORT_FORMS,
    STANDARD_BAUDS,
    Analyser,
    Bench,
    Log,
    PortForm,
    Scanner,
    SerialTable,
    form_of,
)

__all__ = [
    "DEFAULT_PATH",
    "KINDS",
    "PORT_FORMS",
    "STANDARD_BAUDS",
    "Analyser",
    "Bench",
    "Config",
    "Destination",
    "FolderDestination",
    "Log",
    "MqttDestination",
    "PortForm",
    "Scanner",
    "SerialTable",
    "TlsTable",
    "form_of",
    "load",
    "parse",
    "problems",
]
