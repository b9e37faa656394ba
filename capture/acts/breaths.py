"""Acts around one breath, as the rooms above call them: what is reserved, bound, moved, withdrawn and typed in.

Rules:
- A reading reaches a patient only by an explicit act for that reading: by the reservation it fills, or by a person's word.
- Each is one transaction; errors say what is wrong and the cure, and leave nothing behind.
"""

from __future__ import annotations

from capture.acts.binding import assign, withdraw
from capture.acts.ending import expire, open_reservation, overdue, release, restarted
from capture.acts.entering import enter
from capture.acts.reserving import reserve

__all__ = [
    "assign",
    "enter",
    "expire",
    "open_reservation",
    "overdue",
    "release",
    "reserve",
    "restarted",
    "withdraw",
]
