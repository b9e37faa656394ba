"""Why there is a further revision, or another id: what each word of `change.code` means. FORMAT.md prints this table.

Rules: a word is never given a second meaning; the list grows at its end.
"""

from __future__ import annotations

from typing import Final

CHANGES: Final = {
    "bound": "Reading: it was nobody's, and now belongs to a breath test.",
    "wrong-patient": "Reading, test: it stood under the wrong patient. At the old `id` it retracts; at a new `id` it says "
    "which one that takes the place of.",
    "withdrawn": "Reading: retracted; no other record takes its place (yet).",
    "redecoded": "Reading: a better driver gave its bytes another meaning.",
    "dose-time": "Reading, test: the moment from which minutes are counted was put right. Reading also: it became known only "
    "now, and the reading has minutes from here on.",
    "confirmed": "Reading: a person said that it is this patient's.",
    "collected": "Reading: the time at which the breath left the body was corrected.",
    "dose": "Test: the substrate was given, or more is known of it; minutes that were counted already stay.",
    "container": "Test: a sample was taken into a container, or a container will not be measured.",
    "attempt": "Test: a reading came to a time point, left it, or changed.",
    "choice": "Test: a person chose which reading of a time point counts.",
    "note": "Test: a remark, or something the person felt.",
    "amended": "Test: what was said of it at its opening (the order, the preparation, its time points) was changed.",
    "closed": "Test: it was reviewed and closed, as completed, stopped early or abandoned.",
    "reopened": "Test: something came after its review, which is to be done again.",
    "place": "Reading: it stands at another sample of the same person, of this test or another.",
}
