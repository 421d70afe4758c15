"""Whether what a gauge's schedule of checks says can come about."""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.core.bench.schedule import clock_text, span_text
from gaugepost.core.setup import GaugeEntry
from gaugepost.edge.stationfile.findings import Report, toml


def check(report: Report, gauges: Mapping[str, GaugeEntry]) -> None:
    """Note times of day that stand twice, and checks that another one always comes before."""
    for gauge in gauges.values():
        at = gauge.check_at_min or ()
        for minute in sorted({each for each in at if at.count(each) > 1}):
            report.error(
                ("gauges", gauge.name, "check_at"),
                f"{toml(clock_text(minute))} stands here twice",
                "each time of day once",
                "remove one of them",
            )
        every, longest = gauge.check_every_ms, gauge.valid_for_ms
        if every is not None and longest is not None and every >= longest:
            report.warn(
                ("gauges", gauge.name, "check_every"),
                f"changes nothing: a mastering counts for {span_text(longest)} after a check anyway",
                "a shorter time than mastering_valid_for",
                "write a shorter time, or remove it",
            )
