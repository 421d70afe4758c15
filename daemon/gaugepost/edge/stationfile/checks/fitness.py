"""Whether what the uncertainty rests on is said whole, and whether gauges are fit for the tolerances they measure."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from gaugepost.core.bench.budgeting import Unstated, expected_budget, of_result
from gaugepost.core.setup import CharacteristicEntry, Combine, GaugeEntry, MasterEntry, SetUp
from gaugepost.edge.stationfile.findings import Report, toml
from gaugepost.edge.stationfile.positions import Path

SERIOUS = 5
"""Below this T/u a value near one limit is in doubt about the other one too (derived)."""
WORST, WANTED = 8, 20
"""T/u where U, k = 2, is a quarter and a tenth of the tolerance (common practice, no source)."""


def complete(report: Report, gauges: Mapping[str, GaugeEntry], masters: Mapping[str, MasterEntry]) -> None:
    """Note keys that say nothing without another one."""
    for master in masters.values():
        path: Path = ("masters", master.name)
        if master.drift_mm_per_year is not None and master.calibrated_utc_ms is None:
            report.error(
                (*path, "drift_per_year"),
                "says nothing without the day of its calibration",
                "calibrated beside it",
                "add calibrated, as 2026-03-31",
            )
        if master.certificate_degrees is not None and master.uncertainty_mm is None:
            report.error(
                (*path, "certificate_degrees_of_freedom"),
                "says nothing without an uncertainty",
                "uncertainty beside it",
                "add uncertainty and coverage_factor from its certificate",
            )
    for gauge in gauges.values():
        if gauge.repeatability_degrees is not None and gauge.repeatability_mm is None:
            report.error(
                ("gauges", gauge.name, "repeatability_degrees_of_freedom"),
                "says nothing without a repeatability",
                "repeatability beside it",
                'add repeatability, as "0.4 µm"',
            )


def check(report: Report, set_up: SetUp) -> None:
    """Warn, before anyone measures, where a gauge's expected uncertainty is large for the tolerance."""
    for entry in set_up.characteristics.values():
        for place, gauge in enumerate(entry.gauges):
            _fit(report, set_up, entry, gauge, ("characteristics", entry.name, "gauges", place))


def _fit(report: Report, set_up: SetUp, entry: CharacteristicEntry, gauge: str, path: Path) -> None:
    """Warn of one gauge on the best of the masters that serve it."""
    made = [
        of_result(expected_budget(set_up, gauge, entry, (name,)), entry)
        for name in entry.masters or set_up.masters
    ]
    stated = [each for each in made if not isinstance(each, Unstated)]
    if not stated:
        if entry.rule is not None and entry.rule.needs_uncertainty and made:
            first = made[0]
            assert isinstance(first, Unstated)
            report.warn(
                path,
                f"{toml(gauge)} will state no uncertainty, and {entry.rule} needs one: {first.reasons[0]}",
                write="gaugepost budget lists all that is missing",
            )
        return
    lower_mm = Decimal(0) if entry.combine is Combine.RANGE else entry.lower_mm
    if lower_mm is None or entry.upper_mm is None:
        return
    best = min(stated, key=lambda each: each.standard_mm)
    if not best.standard_mm:
        return
    ratio = float(entry.upper_mm - lower_mm) / best.standard_mm
    if ratio >= WANTED:
        return
    largest, share = best.ranked()[0]
    known = f"with {toml(gauge)} u is {best.standard_mm * 1000:.3g} µm, so that T/u is {ratio:.3g}"
    if ratio < SERIOUS:
        known += ": not fit for this tolerance, "
        if entry.combine is Combine.RANGE:
            known += "what repeats makes a range of it"
        else:
            known += "a value near one limit is in doubt about the other too"
    elif ratio < WORST:
        known += ": U (k = 2) is more than a quarter of the tolerance (common practice)"
    else:
        known += ": U (k = 2) is more than a tenth of the tolerance (common practice)"
    report.warn(path, known, write=f"{largest[0].quantity} gives {share:.0%} of u²: {largest[0].advice}")
