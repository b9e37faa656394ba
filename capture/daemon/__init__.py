"""The service: one session per analyser, one pump per destination, a control socket, and an orderly end.

Rules of the room:
- Sessions are supervised: one that fails is started again after a pause and never takes a sibling with it.
- Only a journal that cannot be written ends the process.
- No log line holds a subject, or a control character from the wire.
"""
