"""What bytes look like, in plain words: a help for whoever writes a driver sheet, never a decision of the program.

Rules of the room:
- Pure: bytes and the silences between them in, observations out. Nothing here is used to make a record.
- It names the shape of what came (line ends, marks, lengths, silences, signs of wrong line settings), never an analyser.
- It says "cannot tell" where it cannot. What it suggests is a text to start from.
- Bounded: it looks at the last 64 KiB, in a time that grows with their number only.
"""

from __future__ import annotations

from drivers.guess.sample import Burst, Sample, of_recording
from drivers.guess.say import CANNOT, Guess, guess

__all__ = ["CANNOT", "Burst", "Guess", "Sample", "guess", "of_recording"]
