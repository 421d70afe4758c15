"""What two and three contacts see of an out-of-round bore or shaft, by the number of its lobes."""

from __future__ import annotations

import math

from gaugepost.core.setup import Contact

TWO_POINT_DEG = 180.0
THREE_POINT_DEG = 60.0
"""Angle between the tangents at two contacts, seen from the third: opposite it for two, 60° for three at 120°."""

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
