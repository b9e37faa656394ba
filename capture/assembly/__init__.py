"""Pure decisions: what one item of one analyser becomes.

Rules of the room:
- No input or output, no clock, no journal: the same item and the same moment always give the same records.
- Nothing a driver may return by its contract makes a decision fail, not even a value that contradicts its state: that
  is recorded as such, never dropped.
- A decision is frozen in the record it makes; a later change is a new revision, never a rewrite.
"""
