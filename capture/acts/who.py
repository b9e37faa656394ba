"""Who acts: what a person stated, and what the operating system says beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

from capture.errors import UsageError

Answer: TypeAlias = dict[str, Any]
"""What an act says afterwards, as plain data.

`said`: sentences for people, what was done. `warned`: sentences about what is allowed and yet worth a look. What else
belongs to the act, by name. Records are given as their stored text.
"""


@dataclass(frozen=True, slots=True)
class By:
    """A person. `initials` are a statement, not a log-in; `user` is whom the kernel names; None: nobody is named."""

    initials: str | None = None
    user: str | None = None

    @property
    def who(self) -> str:
        """As the journal keeps it."""
        return self.initials or self.user or "somebody"

    def stated(self, what: str) -> str:
        """The initials, where an act demands them. Raises UsageError."""
        if self.initials is None:
            raise UsageError(f"{what} needs initials: add --by INITIALS")
        return self.initials
