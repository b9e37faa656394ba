"""What happens when every single bit of every result in the committed recordings is flipped, one at a time.

Measured by `drivers.laws.checked`; README.md quotes it. For `delimited-line` the 438, for `gap-frame` the 451, for
`hl7-oru` the 513 and for `numbered-lines` the 880 were counted once more by split loops written for the purpose: a text
without a check cannot see them, and its results say integrity "none" (on a line with parity, "parity").
"""

from __future__ import annotations

from drivers.laws import Damage

FLIPPED = {
    "counted-frame": Damage(tried=9600, unseen=0, unseen_beside=0),
    "delimited-line": Damage(tried=7088, unseen=438, unseen_beside=1314),
    "example": Damage(tried=3384, unseen=0, unseen_beside=0),
    "fixed-columns": Damage(tried=6664, unseen=482, unseen_beside=904),
    "fixed-frame": Damage(tried=8832, unseen=0, unseen_beside=0),
    "gap-frame": Damage(tried=11248, unseen=451, unseen_beside=1537),
    "hl7-oru": Damage(tried=46688, unseen=513, unseen_beside=1926),
    "key-value": Damage(tried=24560, unseen=0, unseen_beside=0),
    "label-block": Damage(tried=13832, unseen=0, unseen_beside=0),
    "numbered-lines": Damage(tried=23760, unseen=880, unseen_beside=2791),
}
