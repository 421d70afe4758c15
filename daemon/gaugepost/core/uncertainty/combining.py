"""Components become one standard uncertainty with its effective degrees of freedom. + - * / and √ only."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gaugepost.core.uncertainty.component import Component


@dataclass(frozen=True, slots=True)
class Combined:
    """The combined standard uncertainty in mm and its effective degrees of freedom; None: without end."""

    standard_mm: float
    degrees_of_freedom: float | None


def combine(components: Sequence[Component]) -> Combined:
    """Return u_c by GUM (13) and ν_eff by Welch and Satterthwaite, (G.2b).

    What components say they share correlates them. Higher-order terms (GUM, 5.1.2, note; H.1.7) are components too.
    """
    parts = [component.contribution for component in components]
    square = 0.0
    for part in parts:
        square += part * part
    square = max(
        square + _shared(components, parts), 0.0
    )  # what cancels leaves a last digit, below 0 or above
    # What one estimate is behind of is as uncertain as that estimate, however many components it is in.
    variances: dict[tuple[str, float], float] = {}
    for place, (component, part) in enumerate(zip(components, parts, strict=True)):
        if component.degrees_of_freedom is not None:
            key = (component.estimate or f"\0{place}", component.degrees_of_freedom)
            variances[key] = variances.get(key, 0.0) + part * part
    fourth = 0.0
    for (_, degrees), variance in variances.items():
        fourth += variance * variance / degrees
    return Combined(math.sqrt(square), square * square / fourth if fourth > 0 else None)


def _shared(components: Sequence[Component], parts: Sequence[float]) -> float:
    """Return twice the sum of r·cᵢuᵢ·cⱼuⱼ over the pairs that share something."""
    covariance = 0.0
    groups: dict[str, list[int]] = {}
    for place, component in enumerate(components):
        if component.shared:
            groups.setdefault(component.shared, []).append(place)
    for places in groups.values():
        for at, first in enumerate(places):
            for second in places[at + 1 :]:
                r = min(components[first].correlation, components[second].correlation)
                covariance += 2 * r * parts[first] * parts[second]
    return covariance
