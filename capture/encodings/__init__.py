"""Encodings: how a record is written for a destination.

Rules of the room:
- From a record's stored text only: an encoding adds nothing, rounds nothing, and looks nothing up.
- The same text gives the same bytes, for ever.
"""
