"""What happens when every single bit of every result in the committed recordings is flipped, one at a time.

Measured by `drivers.laws.checked`; README.md quotes it. For `delimited-line` the 419 were counted once more by a split loop
written for the purpose: a text line without a check cannot see them, and its results say integrity "none".
"""

from __future__ import annotations

from drivers.laws import Damage

FLIPPED = {
    "delimited-line": Damage(tried=6776, unseen=419, unseen_beside=1255),
    "fixed-columns": Damage(tried=6272, unseen=453, unseen_beside=851),
    "label-block": Damage(tried=13832, unseen=0, unseen_beside=0),
}
