"""Whether lengths can be meant together: limits and masters inside a gauge's range, units not mixed up.

Works on resolved entries, in mm. Rules of thumb only warn.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from gaugepost.core.quantity import Unit, exact_text, from_mm, round_to
from gaugepost.core.setup import CharacteristicEntry, Combine, GaugeEntry, MasterEntry
from gaugepost.edge.stationfile.findings import Report, toml
from gaugepost.edge.stationfile.positions import Path

WORST_SHARE = Decimal("0.25")
"""Largest share of the tolerance that a master's expanded uncertainty should take (common practice, no source)."""

COARSEST_SHARE = Decimal("0.1")
"""Largest share of the tolerance that a display's step should take (common practice, no source)."""


def check(
    report: Report,
    gauges: Mapping[str, GaugeEntry],
    masters: Mapping[str, MasterEntry],
    characteristics: Mapping[str, CharacteristicEntry],
) -> None:
    """Note what can't be meant (errors), and what an inspector would ask about (warnings)."""
    for master in masters.values():
        if master.uncertainty_mm is not None and master.uncertainty_mm >= master.size_mm:
            report.error(
                ("masters", master.name, "uncertainty"),
                f"is not smaller than the size itself, {_mm(master.size_mm)}",
                "the certificate's uncertainty",
                "check its unit, µm or mm",
            )
    for gauge in gauges.values():
        if gauge.size_range_mm and gauge.nominal_mm is not None and not _inside(gauge.nominal_mm, gauge):
            report.error(
                ("gauges", gauge.name, "nominal"),
                f"is outside {_range(gauge)}",
                write="check both and their units",
            )
    for characteristic in characteristics.values():
        _sizes(report, characteristic, gauges, masters)
        _shares(report, characteristic, gauges, masters)


def _sizes(
    report: Report,
    characteristic: CharacteristicEntry,
    gauges: Mapping[str, GaugeEntry],
    masters: Mapping[str, MasterEntry],
) -> None:
    path: Path = ("characteristics", characteristic.name)
    bounded = [
        gauges[name] for name in characteristic.gauges if name in gauges and gauges[name].size_range_mm
    ]
    named = [masters[name] for name in characteristic.masters or masters if name in masters]
    for gauge in bounded:
        place = characteristic.gauges.index(gauge.name)
        for side, limit in (("lower", characteristic.lower_mm), ("upper", characteristic.upper_mm)):
            is_size = characteristic.combine is not Combine.RANGE
            if is_size and limit is not None and not _inside(limit, gauge):
                report.error(
                    (*path, "gauges", place),
                    f"the {side} limit {_mm(limit)} is outside {_range(gauge)}",
                    "a gauge that reaches the limits",
                    f"name another gauge than {toml(gauge.name)}, or check both and their units",
                )
        if named and not any(_inside(master.size_mm, gauge) for master in named):
            sizes = ", ".join(f"{toml(master.name)} at {_mm(master.size_mm)}" for master in named[:4])
            key: Path = ("masters",) if characteristic.masters else ("gauges", place)
            report.error(
                (*path, *key),
                f"no master is inside {_range(gauge)}: {sizes}",
                "a master that the gauge can be set on",
                "name another master, or check both and their units",
            )
    if not characteristic.masters or len(bounded) != len(characteristic.gauges):
        return
    for place, name in enumerate(characteristic.masters):
        if (
            name in masters
            and bounded
            and not any(_inside(masters[name].size_mm, gauge) for gauge in bounded)
        ):
            if not any(_inside(master.size_mm, gauge) for master in named for gauge in bounded):
                continue  # said above, for every gauge
            report.error(
                (*path, "masters", place),
                f"{toml(name)} at {_mm(masters[name].size_mm)} is outside the size range of every gauge named here",
                "a master that one of the gauges can be set on",
                "name another master, or check both and their units",
            )


def _shares(
    report: Report,
    characteristic: CharacteristicEntry,
    gauges: Mapping[str, GaugeEntry],
    masters: Mapping[str, MasterEntry],
) -> None:
    if characteristic.lower_mm is None or characteristic.upper_mm is None:
        return
    tolerance = characteristic.upper_mm - characteristic.lower_mm
    of = f"of {toml(characteristic.name)}, {_mm(tolerance)}"
    for gauge in (gauges[name] for name in characteristic.gauges if name in gauges):
        if gauge.check_limit_mm >= tolerance:
            report.warn(
                ("gauges", gauge.name, "check_limit"),
                f"is not smaller than the whole tolerance {of}: a check would prove nothing",
                write="check it and its unit, µm or mm",
            )
        if gauge.resolution_mm is not None and gauge.resolution_mm > COARSEST_SHARE * tolerance:
            report.warn(
                ("gauges", gauge.name, "resolution"),
                f"is more than a tenth of the tolerance {of}",
                write="use a finer gauge, or check its unit",
            )
    for master in (masters[name] for name in characteristic.masters if name in masters):
        if master.uncertainty_mm is not None and master.uncertainty_mm > WORST_SHARE * tolerance:
            report.warn(
                ("masters", master.name, "uncertainty"),
                f"is more than a quarter of the tolerance {of}",
                write="use a better master, or check its unit",
            )


def _inside(size_mm: Decimal, gauge: GaugeEntry) -> bool:
    assert gauge.size_range_mm is not None
    low, high = gauge.size_range_mm
    return low <= size_mm <= high


def _range(gauge: GaugeEntry) -> str:
    assert gauge.size_range_mm is not None
    low, high = gauge.size_range_mm
    return f"the size range of {toml(gauge.name)}, {_number(low)} to {_mm(high)}"


def _mm(size_mm: Decimal) -> str:
    """In both units: whoever mixed them up sees it."""
    inches = round_to(from_mm(size_mm, Unit.INCH), Decimal("0.00001"))
    return f"{_number(size_mm)} mm ({_number(inches)} in)"


def _number(value: Decimal) -> str:
    text = exact_text(value)
    return text.rstrip("0").rstrip(".") if "." in text else text
