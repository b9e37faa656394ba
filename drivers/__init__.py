"""Ground floor: bytes become items.

Rules of the room:
- A decoder does no I/O, knows no clock, does not log. It is fed bytes and returns items.
- Nothing here imports `capture` or `simulators`.
- The oath: emit what the analyser said, when it said it; nothing filled in, cached or derived;
  bad is null with a reason; not measured is absent.
"""
