"""A gauge's indication becomes a reading: corrected, tied to what is in hand, and judged or not, with the reasons."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from gaugepost.core.bench.budgeting import Unstated, budget_of, doubt_of, fields_of, step_mm_of
from gaugepost.core.bench.combining import attempt_of, combined, joined, missing, place_of
from gaugepost.core.bench.judging import judged
from gaugepost.core.bench.standing import (
    changed_display,
    out_of_range,
    outside_band,
    standing,
    unit_of,
)
from gaugepost.core.bench.state import Mastered, Sourced, State
from gaugepost.core.bench.temperatures import expansion_of, temperature_of
from gaugepost.core.indication import Indication, Moment
from gaugepost.core.mastering import Correction, Temperatures, correct
from gaugepost.core.quantity import exact_text, to_mm
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body, CharacteristicEntry, Combine, Display
from gaugepost.core.uncertainty import Budget


def measure(state: State, gauge: str, link: str, indication: Indication, now: Moment) -> tuple[Record, ...]:
    """Return the reading that an indication makes, and the result where it completes one."""
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    unit, wrong = unit_of(state, gauge, indication)
    fields: dict[str, Any] = {"link": link, "raw": indication.raw, "indication": exact_text(indication.value)}
    ends: tuple[str, ...] = wrong
    reasons: list[str] = list(wrong)
    value: Decimal | None = None
    known_to: _Known | None = None
    characteristic = characteristic_of(state, gauge)
    if unit is not None:
        shown_mm = to_mm(indication.value, unit)
        ends += changed_display(state, gauge, indication, unit)
        gauge_at = temperature_of(state, Body.GAUGE, gauge, now)
        ends += outside_band(state, gauge, gauge_at.celsius if gauge_at else None)
        reasons = [*ends]
        if known.mastered is not None:
            corrected, part = _corrected(
                state, gauge, known.mastered, characteristic, shown_mm, gauge_at, now, fields
            )
            if characteristic is not None and state.derivation > 1:
                step_mm = step_mm_of(indication.value, unit, entry)
                known_to = _Known(part, gauge_at, step_mm, corrected.thermal_mm is not None)
            value = corrected.value_mm
            fields["master_correction_mm"] = corrected.master_mm
            fields["thermal_correction_mm"] = corrected.thermal_mm
            fields["master"], fields["mastering"] = "+".join(known.mastered.masters), known.mastered.sequence
        elif entry.display is Display.ABSOLUTE:
            value = shown_mm
        reasons += out_of_range(state, gauge, shown_mm, value)
    reasons += [reason for reason in standing(state, gauge, now) if reason not in reasons]
    reasons += _unserved(characteristic, known.mastered)
    position = place_of(state, characteristic) if characteristic else state.position
    if characteristic and characteristic.positions and position not in characteristic.positions:
        reasons.append(
            f"{position} is not a place of {characteristic.name}: {', '.join(characteristic.positions)}"
        )
    is_member = characteristic is not None and characteristic.combine is not Combine.EACH
    doubt = None
    if characteristic is not None and known_to is not None:
        made = known_to.budget(state, gauge, characteristic, now)
        fields |= fields_of(made)
        doubt = doubt_of(made)
    reading = Record(
        kind=Kind.READING,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        characteristic=characteristic.name if characteristic else None,
        position=position,
        lot=state.lot,
        piece=state.piece,
        attempt=attempt_of(state, characteristic, position) if characteristic else None,
        operator=state.operator,
        indication_unit=unit,
        text=state.again.get(characteristic.name) if characteristic else None,
        ends_mastering=True if ends and known.mastered is not None else None,
        set_up=state.set_up_sequence,
        derivation=state.derivation,
        **fields,
        **judged(characteristic, value, tuple(reasons), is_member=is_member, doubt=doubt),
    )
    if characteristic is None or reading.verdict is not None or value is None:
        return (reading,)
    return (reading, *_completed(state, characteristic, reading, known_to, now))


@dataclass(frozen=True, slots=True)
class _Known:
    """What a reading's uncertainty rests on beside the mastering."""

    part: Sourced | None
    gauge: Sourced | None
    step_mm: Decimal
    is_corrected: bool

    def budget(
        self, state: State, gauge: str, entry: CharacteristicEntry, now: Moment, readings: int = 1
    ) -> Budget | Unstated:
        """Return the budget of a reading, or of a mean over several of them."""
        known = state.gauges[gauge]
        assert known.mastered is not None
        return budget_of(
            state.set_up,
            gauge,
            entry,
            known.mastered,
            known.scatter,
            self.part,
            self.gauge,
            now.utc_ms,
            self.step_mm,
            self.is_corrected,
            readings,
        )


def characteristic_of(state: State, gauge: str) -> CharacteristicEntry | None:
    """Return what the gauge measures now: as selected, or the only one that it serves."""
    characteristics = state.set_up.characteristics
    chosen = state.gauges[gauge].characteristic
    if chosen is not None:
        return characteristics[chosen]
    serving = [entry for entry in characteristics.values() if gauge in entry.gauges]
    return serving[0] if len(serving) == 1 else None


def _corrected(
    state: State,
    gauge: str,
    mastered: Mastered,
    characteristic: CharacteristicEntry | None,
    shown_mm: Decimal,
    gauge_at: Sourced | None,
    now: Moment,
    fields: dict[str, Any],
) -> tuple[Correction, Sourced | None]:
    part = temperature_of(state, Body.PART, gauge, now)
    for body, sourced in (("part", part), ("gauge", gauge_at), ("master", mastered.master)):
        if sourced is not None:
            fields[f"{body}_temperature_c"], fields[f"{body}_temperature_source"] = (
                sourced.celsius,
                sourced.source,
            )
    expansion = expansion_of(state.set_up.gauges[gauge])
    coefficient = characteristic.coefficient if characteristic else None
    temperatures = None
    if part and gauge_at and expansion and coefficient is not None and mastered.gauge_c is not None:
        temperatures = Temperatures(expansion, gauge_at.celsius, mastered.gauge_c, coefficient, part.celsius)
    return correct(shown_mm, mastered.cold, mastered.warm, temperatures), part


def _unserved(characteristic: CharacteristicEntry | None, mastered: Mastered | None) -> tuple[str, ...]:
    if characteristic is None or mastered is None or not characteristic.masters:
        return ()
    strangers = [name for name in mastered.masters if name not in characteristic.masters]
    return (
        (f"mastered on {'+'.join(strangers)}, which does not serve {characteristic.name}",)
        if strangers
        else ()
    )


def _completed(
    state: State, entry: CharacteristicEntry, reading: Record, known_to: _Known | None, now: Moment
) -> tuple[Record, ...]:
    group = joined(state.groups.get(entry.name), entry, reading, state.sequence + 1)
    if missing(group, entry):
        return ()
    value, members = combined(group, entry)
    doubt, fields = None, dict[str, Any]()
    if known_to is not None and reading.gauge is not None:
        readings = len(members) if entry.combine is Combine.MEAN else 1
        made = known_to.budget(state, reading.gauge, entry, now, readings)
        doubt, fields = doubt_of(made), fields_of(made)
    return (
        Record(
            kind=Kind.RESULT,
            measured_at=reading.measured_at,
            clock_ms=reading.clock_ms,
            gauge=reading.gauge,
            characteristic=entry.name,
            lot=reading.lot,
            piece=reading.piece,
            attempt=reading.attempt,
            operator=reading.operator,
            master=reading.master,
            mastering=reading.mastering,
            members=members,
            set_up=reading.set_up,
            derivation=state.derivation,
            text=f"{entry.combine} of {len(members)}",
            **fields,
            **judged(entry, value, (), is_member=False, doubt=doubt),
        ),
    )
