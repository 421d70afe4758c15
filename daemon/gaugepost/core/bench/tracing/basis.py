"""What a reading's numbers rest on, and the numbers made of it: the same while it is measured and years later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from gaugepost.core.bench.budgeting import Unstated, budget_of, doubt_of, fields_of, step_mm_of
from gaugepost.core.bench.judging import judged
from gaugepost.core.bench.state import Mastered, Scatter, Sourced
from gaugepost.core.bench.temperatures import expansion_of
from gaugepost.core.mastering import Correction, Temperatures, correct
from gaugepost.core.quantity import Unit, to_mm
from gaugepost.core.setup import CharacteristicEntry, Combine, Display, SetUp
from gaugepost.core.uncertainty import Budget


@dataclass(frozen=True, slots=True)
class Basis:
    """All that a reading's numbers are made of."""

    set_up: SetUp
    gauge: str
    characteristic: CharacteristicEntry | None
    mastered: Mastered | None
    scatter: Scatter
    part: Sourced | None
    gauge_at: Sourced | None
    shown: Decimal
    """The digits, in `unit`."""
    unit: Unit | None
    """None: nothing says what the digits stand for."""
    utc_ms: int
    derivation: int

    def budget(self, is_corrected: bool, value_mm: Decimal) -> Budget | Unstated:
        """Return the budget of the reading, which is of this size."""
        assert self.characteristic is not None and self.mastered is not None and self.unit is not None
        step_mm = step_mm_of(self.shown, self.unit, self.set_up.gauges[self.gauge])
        return budget_of(
            self.set_up, self.gauge, self.characteristic, self.mastered, self.scatter, self.part, self.gauge_at,
            self.utc_ms, step_mm, is_corrected, derivation=self.derivation, value_mm=value_mm,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Made:
    """A reading's value with what corrected it; None where there is none, or no uncertainty can be asked for."""

    value_mm: Decimal | None
    fields: Mapping[str, Any]
    budget: Budget | Unstated | None
    is_corrected: bool = False
    """Whether the value is corrected to 20 °C."""

    def judged(self, basis: Basis, reasons: tuple[str, ...]) -> dict[str, Any]:
        """Return every field that the numbers fill, where `reasons` speak against a verdict."""
        entry, made = basis.characteristic, self.budget
        is_member = entry is not None and entry.combine is not Combine.EACH
        stated = {} if made is None else fields_of(made)
        doubt = None if made is None else doubt_of(made)
        return {
            **self.fields,
            **stated,
            **judged(
                entry, self.value_mm, reasons, is_member=is_member, doubt=doubt, derivation=basis.derivation
            ),
        }


def corrected(basis: Basis) -> Made:
    """Return the reading's value in mm at 20 °C with its corrections and its budget."""
    if basis.unit is None:
        return Made(None, {}, None)
    shown_mm, mastered = to_mm(basis.shown, basis.unit), basis.mastered
    if mastered is None:
        absolute = basis.set_up.gauges[basis.gauge].display is Display.ABSOLUTE
        return Made(shown_mm if absolute else None, {}, None)
    fields: dict[str, Any] = {"master": "+".join(mastered.masters), "mastering": mastered.sequence}
    for body, sourced in (("part", basis.part), ("gauge", basis.gauge_at), ("master", mastered.master)):
        if sourced is not None:
            fields[f"{body}_temperature_c"] = sourced.celsius
            fields[f"{body}_temperature_source"] = sourced.source
    found = _correction(basis, mastered, shown_mm)
    fields["master_correction_mm"], fields["thermal_correction_mm"] = found.master_mm, found.thermal_mm
    is_corrected = found.thermal_mm is not None
    asked = basis.characteristic is not None and basis.derivation > 1
    made = basis.budget(is_corrected, found.value_mm) if asked else None
    return Made(found.value_mm, fields, made, is_corrected)


def _correction(basis: Basis, mastered: Mastered, shown_mm: Decimal) -> Correction:
    expansion = expansion_of(basis.set_up.gauges[basis.gauge])
    coefficient = basis.characteristic.coefficient if basis.characteristic else None
    part, gauge_at, temperatures = basis.part, basis.gauge_at, None
    if part and gauge_at and expansion and coefficient is not None and mastered.gauge_c is not None:
        temperatures = Temperatures(expansion, gauge_at.celsius, mastered.gauge_c, coefficient, part.celsius)
    return correct(shown_mm, mastered.cold, mastered.warm, temperatures)
