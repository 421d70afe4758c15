"""A series as a document, for programs."""

from __future__ import annotations

from gaugepost.core.drift.series import Point, Series
from gaugepost.core.publication import rfc3339
from gaugepost.core.quantity import exact_text

Document = dict[str, object]


def document(series: Series, most: int | None = None) -> Document:
    """Return a series with what it comes to in mm, and its last `most` points; None: all."""
    found = series.comes_to()
    trend = found.trend
    shown = series.points if most is None else series.points[max(0, len(series.points) - most) :]
    return {
        "what": str(series.what),
        **dict(series.shared),
        "corrected_to_20_c": series.points[0].at_20,
        "count": found.count,
        "failed": series.failed,
        "first_at": rfc3339(series.points[0].utc_ms),
        "last_at": rfc3339(series.points[-1].utc_ms),
        "mean_mm": _rounded(found.mean),
        "standard_deviation_mm": _rounded(found.deviation),
        "smallest_mm": _rounded(found.smallest),
        "largest_mm": _rounded(found.largest),
        "trend_mm_per_day": _rounded(trend.per_day if trend else None),
        "trend_half_width_mm_per_day": _rounded(trend.half_width if trend else None),
        "trend_beyond_scatter": trend.is_beyond_scatter if trend else None,
        "points": points_of(shown),
    }


def points_of(points: tuple[Point, ...]) -> list[Document]:
    """Return points with exact values, as text in mm."""
    return [
        {
            "sequence": point.sequence,
            "measured_at": rfc3339(point.utc_ms),
            "what": str(point.what),
            "gauge": point.gauge,
            "contact_set": point.contact_set,
            "master": point.master,
            "operator": point.operator,
            "value_mm": exact_text(point.value_mm),
            "limit_mm": None if point.limit_mm is None else exact_text(point.limit_mm),
            "failed": point.failed,
            "notes": list(point.notes),
        }
        for point in points
    ]


def _rounded(value: float | None) -> float | None:
    """Return a number with six significant digits."""
    return None if value is None else float(f"{value:.6g}")
