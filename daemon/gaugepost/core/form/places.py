"""Form from sizes at declared places of one bore or shaft: ovality, taper, barrel and bell-mouth. Lengths in mm.

What a few places show is the least that the form can be: what lies between them nobody measured.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.mastering import mean, spread
from gaugepost.core.quantity import CONTEXT, quantise_mm


@dataclass(frozen=True, slots=True)
class Place:
    """A size that was measured at an angle (degrees) and a depth (mm); None where the place has none."""

    size_mm: Decimal
    angle_deg: Decimal | None = None
    depth_mm: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Form:
    """What the places say of the form, in mm; None where they are too few, or stand where nothing can be said."""

    ovality_mm: Decimal | None = None
    """Largest minus smallest diameter over the angles of one depth; of all depths the largest."""
    taper_mm: Decimal | None = None
    """Mean diameter at the greatest depth minus that at the least: negative where the bore narrows inwards."""
    barrel_mm: Decimal | None = None
    """How far between the ends the diameter departs most from the straight line between them: negative for a waist."""
    bell_mouth_mm: Decimal | None = None
    """How far the mouth is wider than the line through the next two depths says; 0 where it is not."""


def form_of(places: Iterable[Place]) -> Form:
    """Return ovality from two angles at one depth, taper from two depths, barrel and bell-mouth from three.

    Ovality is what a two-point gauge shows: three contacts see none of it. Places at one angle and depth are averaged.
    """
    taken = [*places]
    by_depth: dict[Decimal | None, dict[Decimal | None, list[Decimal]]] = {}
    for each in taken:
        by_depth.setdefault(each.depth_mm, {}).setdefault(each.angle_deg, []).append(each.size_mm)
    oval = [
        spread(tuple(mean(tuple(sizes)) for angle, sizes in angles.items() if angle is not None))
        for angles in by_depth.values()
        if sum(angle is not None for angle in angles) > 1
    ]
    line = [
        (depth, mean(tuple(mean(tuple(sizes)) for sizes in angles.values())))
        for depth, angles in by_depth.items()
        if depth is not None
    ]
    line.sort()
    return Form(
        ovality_mm=max(oval) if oval else None,
        taper_mm=line[-1][1] - line[0][1] if len(line) > 1 else None,
        barrel_mm=_barrel(line) if len(line) > 2 else None,
        bell_mouth_mm=_bell_mouth(line) if len(line) > 2 else None,
    )


def _barrel(line: list[tuple[Decimal, Decimal]]) -> Decimal:
    """Return the departure from the line between both ends that is largest either way."""
    departures = [size - _on(line[0], line[-1], depth) for depth, size in line[1:-1]]
    return quantise_mm(max(departures, key=abs))


def _bell_mouth(line: list[tuple[Decimal, Decimal]]) -> Decimal:
    depth, size = line[0]
    return quantise_mm(max(Decimal(0), size - _on(line[1], line[2], depth)))


def _on(one: tuple[Decimal, Decimal], other: tuple[Decimal, Decimal], depth: Decimal) -> Decimal:
    (d1, s1), (d2, s2) = one, other
    return s1 + CONTEXT.divide(CONTEXT.multiply(s2 - s1, depth - d1), d2 - d1)
