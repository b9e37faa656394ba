"""Ground floor: synthetic people, samples, analysers and line faults that put BYTES on ptys and into files.

Rules of the room:
- Own encoders: nothing here imports `drivers` or `capture`, so neither side can hide the other's mistake.
- Seeded: the same seed gives the same bytes. The truth is kept beside, so that a test can compare it with the record.
- Everything here is invented; nothing may be mistaken for a patient's data.
"""
