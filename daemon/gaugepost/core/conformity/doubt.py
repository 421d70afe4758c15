"""How well a value is known: all that a decision needs of an uncertainty budget."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Doubt:
    """The uncertainty of one value (JCGM 100:2008).

    The value is taken as normally distributed about what was measured, or as Student's t where the standard uncertainty
    rests on few observations (G.3).

    Raises:
        ValueError: one of the numbers is not above 0, or has no end where None would say so.
    """

    standard_mm: float
    """Combined standard uncertainty u, in mm, above 0."""
    degrees_of_freedom: float | None = None
    """Effective degrees of freedom of u; None: without end."""
    coverage_factor: float = 2.0
    """k: the expanded uncertainty U, as stated beside the value, is k·u."""

    def __post_init__(self) -> None:
        """Refuse what is no uncertainty: a zero would prove everything."""
        for number in (self.standard_mm, self.degrees_of_freedom, self.coverage_factor):
            if number is not None and not 0 < number < math.inf:
                raise ValueError(f"an uncertainty is made of finite numbers above 0, not of {number}")
