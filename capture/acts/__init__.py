"""Acts: the only room that sees both what is decided (`assembly`) and what is stored (`journal`).

Rules of the room:
- One act, one function, one transaction: `(tx, ask, now) -> answer`. Either all of it is in the journal, or none.
- Every act keeps who, why, when it happened and when it was recorded.
- An act looks at the journal inside its transaction: what it decides on cannot change before it is stored.
"""
