"""Destinations: where records go. One destination = one encoding = one cursor over the records.

Rules of the room:
- The journal is the only queue. A destination holds what is in its hands, and nothing else.
- An answer moves the cursor only when it is durable on the far side and stored on ours.
- A destination that is down waits and says why, with the cure; it never holds up the journal or another destination.
"""
