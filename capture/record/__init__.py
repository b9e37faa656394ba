"""The open records and what they are made of.

Rules of the room:
- Only shapes: what a record holds, how it is written and read back, what its names mean. Nothing here decides.
- A measured value is a Decimal with the analyser's own digits, from the frame to the file; never a binary fraction.
- Every name of a record is always present; null means unknown. Our writer forbids unknown names, the published
  schema does not: consumers ignore names they do not know.
- A name published here is not renamed or retyped inside a major version of its format. FORMAT.md is the promise.
"""
