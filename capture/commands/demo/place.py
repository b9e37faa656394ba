"""The demo's own folder: its configuration and its protocol, both invented."""

from __future__ import annotations

import tempfile
from pathlib import Path

from capture.errors import UsageError

PROTOCOL_NAME = "harbour-clinic"

CONFIGURATION = """\
[bench]
site = "harbour-clinic"
name = "demo"
data = "{folder}/data"
timezone = "Europe/Zurich"
protocols = "{folder}/protocols"
initials = true

[[analyser]]
id = "bay-1"
port = "{folder}/ports/bay-1"
driver = "delimited-line"

[[analyser]]
id = "bay-2"
port = "{folder}/ports/bay-2"
driver = "label-block"

[[destination]]
name = "files"
kind = "folder"
path = "{folder}/breath"
from = "start"
"""

PROTOCOL = """\
# Invented for the demo: its drink, its times and its limit are nobody's advice. Approved by nobody, so for training only.
name = "harbour-clinic"
version = "1"
title = "Practice drink (invented)"
person = "adult"

[substrate]
name = "practice drink"
minute_zero = "started"
source = "invented for the demo"

[baseline]
samples = 1
rule = "last"
source = "invented for the demo"

[points]
minutes = [30, 60, 90, 120]
tolerance_min = 10
source = "invented for the demo"

[[questions]]
ask = "Hours since the last meal?"
source = "invented for the demo"

[[cautions]]
text = "An invented test for practice: nothing is drunk, nobody is measured."
source = "invented for the demo"

[limits.oxygen_above]
value = 16.5
unit = "%"
severity = "fail"
source = "invented for the demo; not for a real sample"
"""


def made(folder: Path | None) -> Path:
    """A new or empty folder with all that the demo needs. Raises UsageError."""
    place = Path(tempfile.mkdtemp(prefix="tidewire-demo-")) if folder is None else folder.absolute()
    try:
        for part in ("data", "ports", "breath", "protocols"):
            (place / part).mkdir(parents=True)
        (place / "tidewire.toml").write_text(CONFIGURATION.format(folder=place), encoding="utf-8")
        (place / "protocols" / f"{PROTOCOL_NAME}.toml").write_text(PROTOCOL, encoding="utf-8")
    except FileExistsError:
        raise UsageError(f"{place}: is not empty; name a new folder: tidewire demo --folder NEW") from None
    except OSError as error:
        raise UsageError(f"{place}: {error.strerror}; name a folder that can be made and written to") from None
    return place
