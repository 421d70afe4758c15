"""What each series comes to, a line each, and its run chart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from gaugepost.commands.drift.chart import WIDEST, run_chart
from gaugepost.core.drift import Series, Summary, What
from gaugepost.core.quantity import Unit

HEADINGS = {
    What.OFFSET: "offset at mastering: the master's size minus the indication on it",
    What.DEVIATION: "deviation at check: the corrected value minus the master's size",
}
_COLUMNS = ("", "number", "mean", "s", "smallest", "largest", "trend a day", "± (95 %)", "from", "to")
_PER_MM = {Unit.MICROMETRE: 1000.0, Unit.MICROINCH: 1 / 25.4e-6}


def lines(series: Sequence[Series], unit: Unit, zone: ZoneInfo, *, charts: bool) -> Iterator[str]:
    """Yield the table of each kind of series, and below it their charts."""
    for what, heading in HEADINGS.items():
        of_kind = [each for each in series if each.what is what]
        if not of_kind:
            continue
        found = [each.comes_to(_PER_MM[unit]) for each in of_kind]
        rows = [_COLUMNS, *(_row(each, one, zone) for each, one in zip(of_kind, found, strict=True))]
        widths = [max(len(row[at]) for row in rows) for at in range(len(_COLUMNS))]
        yield f"{heading}, in {unit}"
        for row in rows:
            cells = (f"{cell:>{width}}" for cell, width in zip(row[1:], widths[1:], strict=True))
            yield f"  {row[0].ljust(widths[0])}  {'  '.join(cells)}".rstrip()
        for each, one in zip(of_kind, found, strict=True):
            yield from (f"  {said}" for said in _said(each, one))
        yield ""
        if charts:
            for each, one in zip(of_kind, found, strict=True):
                yield from _chart(each, one, unit)


def _row(series: Series, found: Summary, zone: ZoneInfo) -> tuple[str, ...]:
    trend = found.trend
    return (
        series.name,
        str(found.count),
        f"{found.mean:+.2f}",
        "-" if found.deviation is None else f"{found.deviation:.2f}",
        f"{found.smallest:+.2f}",
        f"{found.largest:+.2f}",
        "-" if trend is None else f"{trend.per_day:+.3f}",
        "-" if trend is None else f"{trend.half_width:.3f}",
        *(_day(point.utc_ms, zone) for point in (series.points[0], series.points[-1])),
    )


def _day(utc_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(zone):%Y-%m-%d %H:%M}"


def _said(series: Series, found: Summary) -> Iterator[str]:
    """Yield what to know of a series beside its numbers."""
    if found.trend is not None and found.trend.is_beyond_scatter:
        yield f"{series.name} drifts: its scatter does not explain the trend"
    if series.failed:
        yield f"{series.name}: {series.failed} of {found.count} failed"
    if series.what is What.OFFSET and not series.points[0].at_20:
        yield f"{series.name}: not corrected for temperature"


def _chart(series: Series, found: Summary, unit: Unit) -> Iterator[str]:
    if found.count < 2:
        return
    limits = {point.limit_mm for point in series.points}
    limit = limits.pop() if len(limits) == 1 else None
    shown = f", the last {WIDEST} of {found.count}" if found.count > WIDEST else ""
    drawn = run_chart(
        [float(point.value_mm) * _PER_MM[unit] for point in series.points],
        [point.failed for point in series.points],
        found.mean,
        None if limit is None else float(limit) * _PER_MM[unit],
    )
    within = f", limit ± {float(limit) * _PER_MM[unit]:.2f} {unit}" if limit is not None else ""
    yield f"{series.name}, {series.what}{within}{shown}"
    yield from drawn
    yield ""
