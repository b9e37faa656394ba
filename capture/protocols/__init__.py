"""Protocols as files: a site's own in the folder that `[bench] protocols` names, and the templates that come with this.

Rules of the room:
- A protocol is read whole or refused whole; every error is one line: file, line, key, what is wrong, and the cure.
- A template has a source for each of its values and nobody's approval. It states no limit, and no dose for a child.
- A file's name is the protocol's name. A site's protocol takes the place of the template of the same name.
"""

from capture.protocols.load import load
from capture.protocols.places import TEMPLATES, Found, cautions_left_out, every, find, read

__all__ = ["TEMPLATES", "Found", "cautions_left_out", "every", "find", "load", "read"]
