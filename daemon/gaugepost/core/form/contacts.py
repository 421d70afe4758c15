"""What two and three contacts see of an out-of-round bore or shaft, by the number of its lobes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import combinations

from gaugepost.core.setup import Contact

TWO_POINT_DEG = 180.0
THREE_POINT_DEG = 60.0
"""Angle between the tangents at two contacts, seen from the third: opposite it for two, 60° for three at 120°."""

OVAL = 2
"""Lobes of an oval."""

BLIND = 0.05
"""A gauge that shows less than this share of the roundness deviation does not see it (common practice, no source)."""


def amplification(lobes: int, angle_deg: float) -> float:
    """Return the peak-to-peak reading in diameter over the radial roundness deviation RONt for `lobes` lobes.

    `angle_deg` is the angle θ between the tangents at the two contacts that face the third: 180 for a two-point gauge,
    60 for three contacts at 120°. f(n, θ) = 1 + cos(n·(90° + θ/2)) / sin(θ/2) (J. JSPE 43-514 (1977) 1167), times
    what a self-centring head that displays diameter makes of it, 2 / (1 + 1/sin(θ/2)): a bore that grows evenly shows
    its growth. Two of the contacts stand evenly on both sides of the third, lobes are as even as a cosine.

    Raises:
        ValueError: fewer than two lobes, or an angle that no contacts can have.
    """
    if lobes < 2 or not 0 < angle_deg <= 180:
        raise ValueError(f"{lobes} lobes at {angle_deg}°: at least 2 lobes, and an angle over 0° up to 180°")
    half = math.radians(angle_deg / 2)
    turned = math.radians(lobes * (90 + angle_deg / 2) % 360)
    f = 1 + math.cos(turned) / math.sin(half)
    return round(abs(f) * 2 / (1 + 1 / math.sin(half)), 12)


def unseen(contact: Contact, lobes: int) -> bool:
    """Whether a gauge with this contact can't see so many lobes; a single contact sees none."""
    if contact is Contact.SINGLE:
        return True
    return amplification(lobes, TWO_POINT_DEG if contact is Contact.TWO_POINT else THREE_POINT_DEG) < BLIND


def least_shown(lobes: int, angles_deg: Iterable[float]) -> float:
    """Return the share of a form's out-of-roundness that diameters at these angles show where it lies worst for them.

    Two-point diameters of an even number of lobes: a diameter at θ departs by cos(n·(θ − φ)), and φ is not known. Of
    an oval, two directions show as little as nothing, three at 60° three quarters, all directions 1 (derived: the
    least width of the points at n·θ on a circle, over its diameter).
    """
    turned = {round(lobes * angle % 360, 9) for angle in angles_deg}
    points = [(math.cos(math.radians(each)), math.sin(math.radians(each))) for each in turned]
    widths = []
    for (x1, y1), (x2, y2) in combinations(points, 2):
        across, along = y1 - y2, x2 - x1
        length = math.hypot(across, along)
        reach = [(x * across + y * along) / length for x, y in points]
        widths.append(max(reach) - min(reach))
    return round(min(widths, default=0.0) / 2, 12)
