"""How a mastering or a check ends: accepted or refused, passed or failed, with the reasons."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from gaugepost.core.bench.budgeting import check_budget, fields_of
from gaugepost.core.bench.state import Mastered, Procedure, Sourced, State
from gaugepost.core.bench.temperatures import expansion_of, temperature_of
from gaugepost.core.bench.trust import better_master, trust
from gaugepost.core.indication import Moment
from gaugepost.core.mastering import Temperatures, correct, mean, predicted_mm, spread
from gaugepost.core.quantity import exact_text, to_mm
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body, GaugeEntry, MasterEntry
from gaugepost.core.thermal import span_on_master

PROVING_STEPS = 5
"""A known movement counts from this many steps of the display: less could be the display's last digit flickering."""


def ended(state: State, gauge: str, going: Procedure, now: Moment) -> tuple[Record, ...]:
    """Return the records that end a procedure whose readings are all taken."""
    return _checked(state, gauge, going, now) if going.is_check else _mastered(state, gauge, going, now)


def _bodies(state: State, gauge: str, now: Moment) -> tuple[Sourced | None, Sourced | None, dict[str, Any]]:
    gauge_at = temperature_of(state, Body.GAUGE, gauge, now)
    master_at = temperature_of(state, Body.MASTER, gauge, now)
    fields: dict[str, Any] = {}
    for body, sourced in (("gauge", gauge_at), ("master", master_at)):
        if sourced is not None:
            fields[f"{body}_temperature_c"], fields[f"{body}_temperature_source"] = (
                sourced.celsius,
                sourced.source,
            )
    return gauge_at, master_at, fields


def _mastered(state: State, gauge: str, going: Procedure, now: Moment) -> tuple[Record, ...]:
    entry = state.set_up.gauges[gauge]
    masters = [state.set_up.masters[name] for name in going.masters]
    sets = [going.taken_mm[at * going.wanted : (at + 1) * going.wanted] for at in range(len(masters))]
    means = tuple(mean(taken) for taken in sets)
    gauge_at, master_at, fields = _bodies(state, gauge, now)
    trusted = trust(state, gauge, going, sets, means, now)
    reasons = _implausible(entry, masters, means, going, state.derivation) + trusted.refusals
    record = Record(
        kind=Kind.MASTERING,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        operator=going.operator or state.operator,
        master="+".join(going.masters),
        code="refused" if reasons else "accepted",
        reasons=(*reasons, *trusted.flags) or None,
        members=going.members,
        spread_mm=max(spread(taken) for taken in sets),
        master_indications_mm=means,
        master_spans_mm=spans(entry, masters, gauge_at, master_at),
        set_up=state.set_up_sequence,
        derivation=state.derivation,
        ends_mastering=True if reasons else None,
        contact_set=state.gauges[gauge].contact_set,
        **fields,
    )
    first = state.gauges[gauge].first_reading
    if reasons or first is None or not trusted.unexplained:
        return (record,)
    return (record, _suspect(state, gauge, first, record))


def _implausible(
    entry: GaugeEntry,
    masters: list[MasterEntry],
    means: tuple[Decimal, ...],
    going: Procedure,
    derivation: int,
) -> tuple[str, ...]:
    reasons = []
    if len(going.units) > 1:
        reasons.append("the unit or the resolution changed while the master was read")
    step_mm = max(to_mm(step, unit) for unit, step in going.units)
    if entry.resolution_mm is not None and step_mm > entry.resolution_mm:
        reasons.append(f"shown in steps of {step_mm} mm, but the station file says {entry.resolution_mm} mm")
    for master, shown in zip(masters, means, strict=True):
        predicted = predicted_mm(entry, master, masters[0])
        if abs(shown - predicted) > entry.preset_limit_mm:
            reasons.append(
                f"showed {exact_text(shown)} mm on {master.name}, where {exact_text(predicted)} mm was to be expected "
                f"within {entry.preset_limit_mm} mm: another master, or not preset"
            )
    if len(masters) == 2:
        moved = entry.sense * (means[1] - means[0])
        if moved == 0 or (moved > 0) != (masters[1].size_mm > masters[0].size_mm):
            reasons.append(
                "the indication did not follow from one master to the other: exchanged, or the sense is wrong"
            )
        elif derivation > 4 and abs(moved) < PROVING_STEPS * step_mm:
            reasons.append(
                f"from one master to the other the indication moved less than {PROVING_STEPS} steps of the display: "
                f"that is no scale, take masters farther apart"
            )
    if going.movement:
        moved = entry.sense * (going.taken_mm[-1] - means[-1]) * going.movement
        if moved <= 0:
            reasons.append("the known movement moved the indication the other way: the sense is wrong")
        elif moved < PROVING_STEPS * step_mm:
            reasons.append(
                f"the known movement was less than {PROVING_STEPS} steps of the display: it proves nothing"
            )
    return tuple(reasons)


def spans(
    entry: GaugeEntry, masters: list[MasterEntry], gauge_at: Sourced | None, master_at: Sourced | None
) -> tuple[Decimal, ...] | None:
    """Return the gauge's spans on its masters in mm at 20 °C; None where a temperature or coefficient is not known."""
    expansion = expansion_of(entry)
    if expansion is None or gauge_at is None or master_at is None:
        return None
    made = []
    for master in masters:
        if master.coefficient is None:
            return None
        span = span_on_master(
            master.size_mm,
            master_coefficient=master.coefficient,
            master_c=master_at.celsius,
            gauge=expansion,
            gauge_c=gauge_at.celsius,
        )
        made.append(span)
    return tuple(made)


def _checked(state: State, gauge: str, going: Procedure, now: Moment) -> tuple[Record, ...]:
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    master, mastered = state.set_up.masters[going.masters[0]], known.mastered
    assert mastered is not None
    gauge_at, master_at, fields = _bodies(state, gauge, now)
    corrected = correct(
        mean(going.taken_mm),
        mastered.cold,
        mastered.warm,
        as_part(entry, mastered, master, gauge_at, master_at),
    )
    error = corrected.value_mm - master.size_mm
    if state.derivation > 2:
        step_mm = max(to_mm(step, unit) for unit, step in going.units)
        is_corrected = corrected.thermal_mm is not None
        made = check_budget(
            state,
            gauge,
            master,
            master_at,
            gauge_at,
            now.utc_ms,
            step_mm,
            is_corrected,
            len(going.taken_mm),
            state.derivation,
        )
        fields |= fields_of(made)
    reasons = []
    if len(going.units) > 1:
        reasons.append("the unit or the resolution changed during the check")
    if abs(error) > entry.check_limit_mm:
        off = f"off by {exact_text(error)} mm, more than {entry.check_limit_mm} mm"
        better = better_master(state, entry, corrected.value_mm, entry.check_limit_mm)
        reasons.append(f"{off}: {better} fits better, is it the one that was measured?" if better else off)
    check = Record(
        kind=Kind.CHECK,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        operator=going.operator or state.operator,
        master=master.name,
        mastering=mastered.sequence,
        code="failed" if reasons else "passed",
        reasons=tuple(reasons) or None,
        members=going.members,
        value_mm=corrected.value_mm,
        master_correction_mm=corrected.master_mm,
        thermal_correction_mm=corrected.thermal_mm,
        spread_mm=spread(going.taken_mm),
        error_mm=error,
        limit_mm=entry.check_limit_mm,
        contact_set=known.contact_set,
        lot=state.lot if state.set_up.lot_checks_asked is not None else None,
        text=None if reasons else _ends_of_lots(state, known.due),
        set_up=state.set_up_sequence,
        derivation=state.derivation,
        **fields,
    )
    if not reasons or known.first_reading is None:
        return (check,)
    return (check, _suspect(state, gauge, known.first_reading, check))


def _ends_of_lots(state: State, due: tuple[str, ...]) -> str | None:
    """Return which lots a check opens and closes, where each is asked for."""
    if state.set_up.lot_checks_asked is None:
        return None
    return "; ".join(why.removesuffix(" with a check") for why in due if why.startswith("lot ")) or None


def as_part(
    entry: GaugeEntry,
    mastered: Mastered,
    master: MasterEntry,
    gauge_at: Sourced | None,
    master_at: Sourced | None,
) -> Temperatures | None:
    """Return the temperatures that correct a master measured as a part; None where one of them is not known."""
    expansion = expansion_of(entry)
    if expansion is None or gauge_at is None or master_at is None or mastered.gauge_c is None:
        return None
    if master.coefficient is None:
        return None
    return Temperatures(expansion, gauge_at.celsius, mastered.gauge_c, master.coefficient, master_at.celsius)


def _suspect(state: State, gauge: str, first: int, check: Record) -> Record:
    """Name everything that the gauge measured since its last good check, after a check or mastering that belies it."""
    return Record(
        kind=Kind.SUSPECT,
        measured_at=check.measured_at,
        clock_ms=check.clock_ms,
        gauge=gauge,
        operator=check.operator,
        first=first,
        last=state.sequence,
        count=state.gauges[gauge].readings,
        text="what was measured since the last good check is in doubt: measure again what matters",
        set_up=state.set_up_sequence,
        derivation=state.derivation if state.derivation > 4 else None,
    )
