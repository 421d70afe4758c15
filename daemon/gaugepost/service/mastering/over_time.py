"""A series of masterings or checks over time as a person is shown it: the same figures, as text. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from gaugepost.core.quantity import Unit
from gaugepost.core.shown import fine
from gaugepost.service.mastering.lengths import width
from gaugepost.service.views import Document


def with_shown(series: Mapping[str, object], unit: Unit) -> Document:
    """Return a series with `shown`: its figures as text, and for each of its points its value and limit."""
    trend, half = _mm(series, "trend_mm_per_day"), _mm(series, "trend_half_width_mm_per_day")
    deviation, mean = _mm(series, "standard_deviation_mm"), _mm(series, "mean_mm")
    points = series["points"]
    assert isinstance(points, list)
    said = {
        "mean": None if mean is None else fine(mean, unit),
        "standard_deviation": None if deviation is None else width(deviation, unit),
        "trend": None if trend is None or half is None else f"{fine(trend, unit)} ± {width(half, unit)}",
    }
    return {
        **series,
        "points": [_point(each, unit) for each in points],
        "shown": {name: text for name, text in said.items() if text is not None},
    }


def _point(point: Mapping[str, object], unit: Unit) -> Document:
    value, limit = _mm(point, "value_mm"), _mm(point, "limit_mm")
    said = {
        "value": None if value is None else fine(value, unit),
        "limit": None if limit is None else width(limit, unit),
    }
    return {**point, "shown": {name: text for name, text in said.items() if text is not None}}


def _mm(said: Mapping[str, object], name: str) -> Decimal | None:
    return None if said.get(name) is None else Decimal(str(said[name]))
