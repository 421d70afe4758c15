"""A gauge's indication becomes a reading: corrected, tied to what is in hand, and judged or not, with the reasons."""

from __future__ import annotations

from gaugepost.core.bench.combining import attempt_of, completed, gathers, place_of
from gaugepost.core.bench.standing import (
    changed_display,
    out_of_range,
    outside_band,
    standing,
    unit_of,
)
from gaugepost.core.bench.state import Mastered, Sourced, State
from gaugepost.core.bench.temperatures import temperature_of
from gaugepost.core.bench.tracing.basis import Basis, corrected
from gaugepost.core.indication import Indication, Moment
from gaugepost.core.quantity import exact_text, to_mm
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body, CharacteristicEntry


def measure(state: State, gauge: str, link: str, indication: Indication, now: Moment) -> tuple[Record, ...]:
    """Return the reading that an indication makes, and the result and the form where it completes them."""
    known = state.gauges[gauge]
    unit, wrong = unit_of(state, gauge, indication)
    characteristic = characteristic_of(state, gauge)
    ends: tuple[str, ...] = wrong
    reasons: list[str] = list(wrong)
    gauge_at: Sourced | None = None
    if unit is not None:
        ends += changed_display(state, gauge, indication, unit)
        gauge_at = temperature_of(state, Body.GAUGE, gauge, now)
        ends += outside_band(state, gauge, gauge_at.celsius if gauge_at else None)
        reasons = [*ends]
    part = temperature_of(state, Body.PART, gauge, now)
    basis = Basis(
        state.set_up, gauge, characteristic, known.mastered, known.scatter, part, gauge_at,
        indication.value, unit, now.utc_ms, state.derivation,
    )  # fmt: skip
    made = corrected(basis)
    if unit is not None:
        reasons += out_of_range(state, gauge, to_mm(indication.value, unit), made.value_mm)
    reasons += [reason for reason in standing(state, gauge, now) if reason not in reasons]
    reasons += _unserved(characteristic, known.mastered)
    position = place_of(state, characteristic) if characteristic else state.position
    if characteristic and characteristic.positions and position not in characteristic.positions:
        reasons.append(
            f"{position} is not a place of {characteristic.name}: {', '.join(characteristic.positions)}"
        )
    reading = Record(
        kind=Kind.READING,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        link=link,
        raw=indication.raw,
        indication=exact_text(indication.value),
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
        **made.judged(basis, tuple(reasons)),
    )
    if characteristic is None or not gathers(characteristic, reading):
        return (reading,)
    return (reading, *completed(state, characteristic, reading))


def characteristic_of(state: State, gauge: str) -> CharacteristicEntry | None:
    """Return what the gauge measures now: as selected, or the only one that it serves."""
    characteristics = state.set_up.characteristics
    chosen = state.gauges[gauge].characteristic
    if chosen is not None:
        return characteristics[chosen]
    serving = [entry for entry in characteristics.values() if gauge in entry.gauges]
    return serving[0] if len(serving) == 1 else None


def _unserved(characteristic: CharacteristicEntry | None, mastered: Mastered | None) -> tuple[str, ...]:
    if characteristic is None or mastered is None or not characteristic.masters:
        return ()
    strangers = [name for name in mastered.masters if name not in characteristic.masters]
    return (
        (f"mastered on {'+'.join(strangers)}, which does not serve {characteristic.name}",)
        if strangers
        else ()
    )
