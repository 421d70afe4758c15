"""Whether a gauge's mastering counts: the reasons why it does not, in words."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.schedule import scheduled
from gaugepost.core.bench.state import State
from gaugepost.core.indication import Indication, Moment
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import GaugeEntry

NOT_MASTERED = "not mastered"


def standing(state: State, gauge: str, now: Moment) -> tuple[str, ...]:
    """Return why the gauge's readings get no verdict at `now`; empty where they do.

    What ends a mastering: everything in `GaugeState.due`, its time and its count, and a due date that has passed.
    """
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    reasons: list[str] = []
    if known.mastered is None:
        reasons.append(NOT_MASTERED)
    reasons.extend(known.due)
    reasons.extend(why for why in scheduled(state, gauge, now) if why not in reasons)
    if entry.due_utc_ms is not None and now.utc_ms > entry.due_utc_ms:
        reasons.append("the gauge's calibration is overdue")
    masters = known.mastered.masters if known.mastered else ()
    reasons.extend(
        f"the calibration of {name} is overdue" for name in masters if master_overdue(state, name, now)
    )
    return tuple(reasons)


def master_overdue(state: State, master: str, now: Moment) -> bool:
    """Whether the master's due date has passed."""
    entry = state.set_up.masters.get(master)
    return entry is not None and entry.due_utc_ms is not None and now.utc_ms > entry.due_utc_ms


def changed_display(state: State, gauge: str, indication: Indication, unit: Unit) -> tuple[str, ...]:
    """Return how this indication differs in unit or resolution from those that the gauge was mastered with."""
    mastered = state.gauges[gauge].mastered
    if mastered is None:
        return ()
    changes = []
    if unit is not mastered.unit:
        changes.append(f"the unit changed from {mastered.unit} to {unit}")
    elif indication.resolution != mastered.resolution:
        changes.append(f"the resolution changed from {mastered.resolution} to {indication.resolution} {unit}")
    return tuple(changes)


def outside_band(state: State, gauge: str, gauge_c: Decimal | None) -> tuple[str, ...]:
    """Return whether the gauge is further from its temperature at the last check than its band allows."""
    band, checked_c = state.set_up.gauges[gauge].valid_band_k, state.gauges[gauge].checked_c
    if band is None or checked_c is None or gauge_c is None or abs(gauge_c - checked_c) <= band:
        return ()
    return (f"the gauge is at {gauge_c} °C and was checked at {checked_c} °C, more than {band} K apart",)


def out_of_range(state: State, gauge: str, shown_mm: Decimal, value_mm: Decimal | None) -> tuple[str, ...]:
    """Return which of the gauge's ranges the indication or the value leaves."""
    return beyond_range(state.set_up.gauges[gauge], shown_mm, value_mm)


def beyond_range(entry: GaugeEntry, shown_mm: Decimal, value_mm: Decimal | None) -> tuple[str, ...]:
    """Return the same for a gauge by its entry."""
    reasons = []
    if entry.indication_range_mm is not None:
        low, high = entry.indication_range_mm
        if not low <= shown_mm <= high:
            reasons.append(f"the indication is outside the gauge's range of {low} to {high} mm")
    if entry.size_range_mm is not None and value_mm is not None:
        low, high = entry.size_range_mm
        if not low <= value_mm <= high:
            reasons.append(f"the size is outside the gauge's range of {low} to {high} mm")
    return tuple(reasons)


def unit_of(state: State, gauge: str, indication: Indication) -> tuple[Unit | None, tuple[str, ...]]:
    """Return the unit that an indication stands for, and what is wrong about it."""
    declared = state.set_up.gauges[gauge].unit
    if indication.unit is None and declared is None:
        return None, ('the frame names no unit, and the station file says "as sent"',)
    if indication.unit is not None and declared is not None and indication.unit is not declared:
        return indication.unit, (f"sent in {indication.unit}, but the station file says {declared}",)
    return indication.unit or declared, ()
