"""Mastering: the line from an indication to a length that one or two masters fix. Lengths in mm."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.quantity import CONTEXT, quantise_mm
from gaugepost.core.setup import Display, GaugeEntry, MasterEntry
from gaugepost.core.thermal import Expansion, part_at_20


@dataclass(frozen=True, slots=True)
class Line:
    """What masters fixed: at indication `indications_mm[i]` the length is `lengths_mm[i]`; one point or two."""

    indications_mm: tuple[Decimal, ...]
    lengths_mm: tuple[Decimal, ...]
    sense: int

    def at(self, indication_mm: Decimal) -> Decimal:
        """Return the length at an indication: offset from one master, offset and scale from two."""
        x1, s1 = self.indications_mm[0], self.lengths_mm[0]
        if len(self.indications_mm) == 1:
            return s1 + self.sense * (indication_mm - x1)
        x2, s2 = self.indications_mm[1], self.lengths_mm[1]
        return s1 + CONTEXT.divide(CONTEXT.multiply(s2 - s1, indication_mm - x1), x2 - x1)


@dataclass(frozen=True, slots=True)
class Correction:
    """What is added to an indication; value = sense·indication + master + thermal, exactly. In mm."""

    value_mm: Decimal
    master_mm: Decimal
    thermal_mm: Decimal | None
    """None: not applied, because a temperature or a coefficient is not known."""


@dataclass(frozen=True, slots=True)
class Temperatures:
    """Every temperature that the correction of a part needs, in °C, and the part's coefficient in 1/K."""

    gauge: Expansion
    gauge_c: Decimal
    gauge_at_mastering_c: Decimal
    part_coefficient: Decimal
    part_c: Decimal


def correct(
    indication_mm: Decimal, cold: Line, warm: Line | None, temperatures: Temperatures | None
) -> Correction:
    """Return the corrected length with its corrections kept apart (VIM 2.53), each quantised to 1e-9 mm.

    `cold` holds the masters' calibrated sizes, `warm` the gauge's spans on them at 20 °C. Thermal correction is all or
    nothing: without `warm` or `temperatures` none is applied.
    """
    turned = cold.sense * indication_mm
    master = quantise_mm(cold.at(indication_mm) - turned)
    mastered = turned + master
    if warm is None or temperatures is None:
        return Correction(mastered, master, None)
    size = part_at_20(
        warm.at(indication_mm),
        gauge=temperatures.gauge,
        gauge_c=temperatures.gauge_c,
        gauge_at_mastering_c=temperatures.gauge_at_mastering_c,
        part_coefficient=temperatures.part_coefficient,
        part_c=temperatures.part_c,
    )
    thermal = quantise_mm(size - mastered)
    return Correction(mastered + thermal, master, thermal)


def predicted_mm(gauge: GaugeEntry, master: MasterEntry, first: MasterEntry) -> Decimal:
    """Return what a gauge that was preset shows on `master`; `first` is the master that it was preset on.

    Absolute: the master's size. From-master: zero on the first, the difference on another. From-nominal: the master's
    size minus the nominal.
    """
    if gauge.display is Display.ABSOLUTE:
        return master.size_mm
    if gauge.display is Display.FROM_MASTER:
        return gauge.sense * (master.size_mm - first.size_mm)
    assert gauge.nominal_mm is not None
    return gauge.sense * (master.size_mm - gauge.nominal_mm)


def needs_proof_of_sense(gauge: GaugeEntry) -> bool:
    """Whether one master alone leaves open which way the indication runs.

    An absolute display that shows the master's size runs with the size; an indicator fitted the wrong way round looks
    right on one ring and is wrong on every part.
    """
    return gauge.display is not Display.ABSOLUTE or gauge.sense < 0


def mean(values: tuple[Decimal, ...]) -> Decimal:
    """Return the mean, quantised to 1e-9 mm; values that are all the same as they are."""
    if len(set(values)) == 1:
        return values[0]
    return quantise_mm(CONTEXT.divide(sum(values, Decimal(0)), Decimal(len(values))))


def spread(values: tuple[Decimal, ...]) -> Decimal:
    """Return largest minus smallest."""
    return max(values) - min(values)
