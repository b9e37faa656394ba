"""Our own encoders, one for each family of formats: what an analyser says becomes the bytes of one message.

Rules of the room:
- A format is drawn at the head of the module that writes it. Drawing and sheet are the same text; the code is not.
- `encode` returns None for a message that the format has no words for: such a message is never on the wire.
- A text that would break a frame is refused, never altered.
- The checks are our own (`checks`), written from their definitions.

    blocks    label-block, hl7-oru                           between a start and an end mark
    lines     delimited-line, fixed-columns, example         one line a message
    groups    numbered-lines                                 several lines a message, one after another
    pairs     key-value, gap-frame                           names beside their values
    frames    fixed-frame, counted-frame                     as many bytes as the format or the frame itself says
"""

from __future__ import annotations

from simulators.formats.blocks import HL7_ORU, LABEL_BLOCK
from simulators.formats.form import Format
from simulators.formats.frames import COUNTED_FRAME, FIXED_FRAME
from simulators.formats.groups import NUMBERED_LINES
from simulators.formats.lines import DELIMITED_LINE, EXAMPLE, FIXED_COLUMNS
from simulators.formats.pairs import GAP_FRAME, KEY_VALUE

__all__ = ["FORMATS", "Format"]

FORMATS = {
    each.name: each
    for each in (
        DELIMITED_LINE,
        LABEL_BLOCK,
        FIXED_COLUMNS,
        FIXED_FRAME,
        GAP_FRAME,
        COUNTED_FRAME,
        KEY_VALUE,
        NUMBERED_LINES,
        HL7_ORU,
        EXAMPLE,
    )
}
"""The formats by name."""
