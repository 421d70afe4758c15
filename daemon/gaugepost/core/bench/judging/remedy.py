"""What can still be done with a piece that is not accepted: metal can be taken away, not put back."""

from __future__ import annotations

from gaugepost.core.conformity import Verdict
from gaugepost.core.frozen import Word
from gaugepost.core.setup import Feature


class Remedy(Word):
    """What can be done, in the trade's terms."""

    OPEN = "can still be opened"
    TAKE_DOWN = "can still be taken down"
    NONE = "cannot be brought back"


def remedy(feature: Feature, side: Verdict | None) -> Remedy | None:
    """Return what can be done where the size is at fault on this `side`; None where it is at fault on neither.

    An undersize bore can be opened and an oversize one cannot be closed; the reverse for a shaft (common practice, no
    source).
    """
    if side not in (Verdict.UNDERSIZE, Verdict.OVERSIZE):
        return None
    if feature is Feature.BORE:
        return Remedy.OPEN if side is Verdict.UNDERSIZE else Remedy.NONE
    return Remedy.TAKE_DOWN if side is Verdict.OVERSIZE else Remedy.NONE
