"""Values of one gauge over time, put together by what they have in common."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, get_args

from gaugepost.core.drift.statistics import Summary, summary

By = Literal["gauge", "contact_set", "master", "operator"]
BY: tuple[By, ...] = get_args(By)
"""What a series can be of one of."""
USUAL: tuple[By, ...] = ("gauge", "contact_set", "master")


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """What one mastering or check said. Lengths in mm."""

    sequence: int
    utc_ms: int
    what: str
    gauge: str
    contact_set: str | None
    master: str
    operator: str | None
    value_mm: Decimal
    limit_mm: Decimal | None
    mastering: int | None
    """Sequence of the mastering that a check was held against: each shifts the deviations as a whole."""
    failed: bool
    at_20: bool
    """Whether temperatures were corrected for; of a check as far as they were known."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """Points that have `shared` in common, in the order they were recorded."""

    what: str
    shared: tuple[tuple[By, str | None], ...]
    points: tuple[Point, ...]

    @property
    def failed(self) -> int:
        """How many checks of it failed."""
        return sum(point.failed for point in self.points)

    def comes_to(self, per_mm: float = 1.0) -> Summary:
        """Return what its values come to, in a unit of which `per_mm` make a millimetre."""
        values = [(point.utc_ms, float(point.value_mm) * per_mm) for point in self.points]
        return summary(values, [(point.mastering, point.contact_set) for point in self.points])

    @property
    def name(self) -> str:
        """What it is of, in words."""
        words = {"contact_set": "contact set "}
        return ", ".join(
            f"{words.get(key, '')}{value or ('nobody' if key == 'operator' else '-')}"
            for key, value in self.shared
            if value is not None or key != "contact_set"
        )


def grouped(points: Iterable[Point], by: Sequence[By] = USUAL) -> list[Series]:
    """Return the points as one series for each that they have in common, in the order of first appearance.

    Offsets that were corrected for temperature stand apart from those that were not: between them is no drift.
    """
    made: dict[tuple[object, ...], list[Point]] = {}
    for point in points:
        key = (point.what, point.at_20, *(getattr(point, each) for each in by))
        made.setdefault(key, []).append(point)
    return [
        Series(members[0].what, tuple((each, getattr(members[0], each)) for each in by), tuple(members))
        for members in made.values()
    ]
