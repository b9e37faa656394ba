"""The journal: one SQLite file that holds every byte received and everything that was made of it.

Rules of the room:
- SQL only; it decides nothing. Decisions are made in `assembly`, joined to storage in `acts`.
- Six tables (streams, chunks, items, acts, records, deliveries); all else is a view or follows from acts. Two
  tables kept by triggers save looking through millions of rows: what deliveries came to, and where each test stands.
- Rows are added, never changed. The one exception is a delivery's answer, which closes the row of its attempt.
- Every function takes a `Tx`: it runs inside one transaction on the store thread, does no other I/O, and is short.
"""
