"""The budget of one value: its components, what they combine to, and what to improve first."""

from __future__ import annotations

import decimal
import math
from collections import defaultdict
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache

from gaugepost.core.distributions import student_quantile
from gaugepost.core.uncertainty.combining import Combined, combine
from gaugepost.core.uncertainty.component import Component

LEVEL = 0.9545
"""Level of confidence where none is asked for: k is 2 at degrees of freedom without end (GUM, G.1.3)."""

_SIX = decimal.Context(prec=6, rounding=decimal.ROUND_HALF_EVEN)


@dataclass(frozen=True, slots=True)
class Budget:
    """What a value's uncertainty is made of. Lengths in mm."""

    components: tuple[Component, ...]
    combined: Combined
    degrees_of_freedom: int | None
    """Effective ones, truncated (GUM, G.4.1); None: without end."""
    coverage_factor: float
    level: float
    model: str = ""
    """The model equation."""
    assumed: tuple[str, ...] = ()
    """What was assumed, or left out because nothing says it."""

    @property
    def standard_mm(self) -> float:
        """Combined standard uncertainty u_c."""
        return self.combined.standard_mm

    @property
    def expanded_mm(self) -> float:
        """Expanded uncertainty U = k·u_c."""
        return self.coverage_factor * self.combined.standard_mm

    def ranked(self) -> tuple[tuple[tuple[Component, ...], float], ...]:
        """Return what makes u², largest first, with its share; what shares something stands together."""
        groups: defaultdict[str, list[Component]] = defaultdict(list)
        for place, component in enumerate(self.components):
            groups[component.shared or f"\0{place}"].append(component)
        whole = self.combined.standard_mm**2
        made = [
            (tuple(parts), combine(parts).standard_mm ** 2 / whole if whole else 0.0)
            for parts in groups.values()
        ]
        return tuple(sorted(made, key=lambda each: -each[1]))

    @property
    def repeats_mm(self) -> float:
        """What of it differs from reading to reading, as a standard uncertainty in mm."""
        return math.sqrt(sum(each.contribution**2 for each in self.components if each.repeats))

    def with_repeats(self, standard_mm: float) -> Budget:
        """Return the budget in which that is another, above 0; 0 stays 0."""
        before = self.repeats_mm
        return self._divided(before / standard_mm) if before else self

    def of_mean(self, readings: int) -> Budget:
        """Return the budget of a mean over readings: what repeats shrinks by √n, the rest does not."""
        return self._divided(math.sqrt(readings))

    def _divided(self, divisor: float) -> Budget:
        return budget(
            tuple(
                replace(each, standard=each.standard / divisor) if each.repeats else each
                for each in self.components
            ),
            level=self.level,
            model=self.model,
            assumed=self.assumed,
        )


def budget(
    components: tuple[Component, ...], *, level: float = LEVEL, model: str = "", assumed: tuple[str, ...] = ()
) -> Budget:
    """Return the budget that components make at a level of confidence.

    Raises:
        ValueError: the level is not between 0 and 1.
    """
    combined = combine(components)
    whole = None if combined.degrees_of_freedom is None else _truncated(combined.degrees_of_freedom)
    return Budget(components, combined, whole, coverage(level, whole), level, model, assumed)


@lru_cache(maxsize=4096)
def coverage(level: float, degrees_of_freedom: int | None) -> float:
    """Return k for a level of confidence from Student's t (GUM, G.3.4), to 6 digits.

    Raises:
        ValueError: the level is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"a level of confidence is between 0 and 1, not {level}")
    return float(six_digits(student_quantile((1 + level) / 2, degrees_of_freedom)))


def six_digits(number: float) -> Decimal:
    """Return a number with 6 significant digits, as records keep uncertainties."""
    return _SIX.create_decimal_from_float(number)


MANY = 10_000
"""From so many degrees of freedom on there is no difference in any of six digits that matters to anybody."""


def _truncated(effective: float) -> int | None:
    # A hair below a whole number is that number: the sum's last digit is not to cost a degree of freedom.
    return None if effective >= MANY else max(1, math.floor(effective * (1 + 1e-9)))
