"""How well a value is known: all that a decision needs of an uncertainty budget."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Doubt:
    """The uncertainty of one value (JCGM 100:2008).

    The value is taken as normally distributed about what was measured, or as Student's t where the standard uncertainty
    rests on few observations (G.3).
    """

    standard_mm: float
    """Combined standard uncertainty u, in mm, above 0."""
    degrees_of_freedom: float | None = None
    """Effective degrees of freedom of u; None: without end."""
    coverage_factor: float = 2.0
    """k: the expanded uncertainty U, as stated beside the value, is k·u."""
