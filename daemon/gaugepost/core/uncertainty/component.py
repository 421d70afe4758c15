"""One quantity that a value rests on, and how well it is known: type A or B evaluation (GUM, 4.2 and 4.3)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal


class Shape(StrEnum):
    """What is known of where a quantity's value lies."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    U_SHAPED = "U-shaped"


_DIVISOR = {Shape.RECTANGULAR: math.sqrt(3), Shape.TRIANGULAR: math.sqrt(6), Shape.U_SHAPED: math.sqrt(2)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of a budget. `standard` is in `unit`; `sensitivity` in mm per `unit`.

    Raises:
        ValueError: a number that has no meaning here.
    """

    quantity: str
    """What it is, in words."""
    standard: float
    """Standard uncertainty u."""
    sensitivity: float = 1.0
    """Partial derivative of the value for this quantity."""
    unit: str = "mm"
    shape: Shape = Shape.NORMAL
    degrees_of_freedom: float | None = None
    """None: without end, as for a quantity that is known by its bounds."""
    value: float | None = None
    """Its estimate, in `unit`; None where that is zero or says nothing."""
    source: str = ""
    """Where the number comes from."""
    advice: str = ""
    """What makes it smaller."""
    shared: str = ""
    """Components that share this word are correlated, each two by `correlation`."""
    correlation: float = 0.0
    estimate: str = ""
    """Components that share this word rest on one and the same estimate of a spread, with its degrees of freedom."""
    repeats: bool = False
    """Whether a mean over n readings divides it by √n."""
    new_at: Literal["", "reading", "mastering"] = ""
    """What makes it another error: each reading, each mastering; or nothing, so that it cancels in any difference."""

    def __post_init__(self) -> None:
        """Refuse what no quantity has."""
        if not 0 <= self.standard < math.inf or not math.isfinite(self.sensitivity):
            raise ValueError(f"{self.quantity}: an uncertainty is a finite number, not below 0")
        if self.degrees_of_freedom is not None and not self.degrees_of_freedom > 0:
            raise ValueError(f"{self.quantity}: degrees of freedom are above 0")
        if not 0 <= self.correlation <= 1:
            raise ValueError(f"{self.quantity}: components that share something are correlated by 0 to 1")

    @property
    def contribution(self) -> float:
        """c·u in mm, with its sign."""
        return self.sensitivity * self.standard


def from_half_width(half_width: float, shape: Shape) -> float:
    """Return u of a quantity that lies within ± `half_width` (GUM, 4.3.7, 4.3.9; U-shaped: H.1.3.4).

    Raises:
        ValueError: the normal distribution has no bounds; state a level or a coverage factor for it.
    """
    if shape is Shape.NORMAL:
        raise ValueError("a normal distribution has no half-width: state a level or a coverage factor")
    return half_width / _DIVISOR[shape]


def from_expanded(expanded: float, coverage_factor: float) -> float:
    """Return u of a quantity whose certificate states U and k (GUM, 4.3.3)."""
    return expanded / coverage_factor
