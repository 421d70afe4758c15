"""What comes next at a gauge: what is measured, where, which reading of how many, and which attempt. Pure."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.arrivals.trigger import next_piece
from gaugepost.core.bench.budgeting import doubt_of, of_result, reading_budget
from gaugepost.core.bench.combining import attempt_of, place_of
from gaugepost.core.bench.judging import in_unit
from gaugepost.core.bench.measuring import characteristic_of
from gaugepost.core.bench.state import State
from gaugepost.core.conformity import SIMPLE, RuleName, Verdict, decide
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.quantity import exact_text
from gaugepost.core.setup import CharacteristicEntry, Combine
from gaugepost.core.shown import acceptance
from gaugepost.service.measuring.shown import limits
from gaugepost.service.views import Document


def upcoming(state: State, gauge: str) -> Document:
    """Return what the gauge's next reading is of, without its acceptance limits (`zone`)."""
    entry = characteristic_of(state, gauge)
    serving = [each.name for each in state.set_up.characteristics.values() if gauge in each.gauges]
    if entry is None:
        return {"gauge": gauge, "characteristic": None, "choices": serving}
    position = place_of(state, entry)
    return {
        "gauge": gauge,
        "characteristic": entry.name,
        "choices": serving,
        "feature": entry.feature.value,
        "position": position,
        "reading": _reading(state, entry, position),
        "of": entry.readings,
        "combine": None if entry.combine is Combine.EACH else entry.combine.value,
        "attempt": attempt_of(state, entry, position),
        "again": state.again.get(entry.name),
        "rule": str(entry.rule or SIMPLE),
        "not_judged": [each.value for each in entry.not_judged or ()],
        "limits": limits(entry),
    }


def zone(state: State, gauge: str, entry: CharacteristicEntry, now: Moment) -> Document:
    """Return the acceptance limits that the decision rule would hold a reading against now; nothing without any."""
    rule = entry.rule or SIMPLE
    middle = _middle(entry)
    if rule.name is RuleName.SIMPLE_ACCEPTANCE or entry.combine is Combine.RANGE or middle is None:
        return {}
    doubt = doubt_of(of_result(reading_budget(state, gauge, entry, now), entry))
    if doubt is None:
        return {}
    found = decide(rule, Verdict.IN_LIMITS, middle, entry.lower_mm, entry.upper_mm, doubt)
    said: dict[str, object] = {"unit": entry.unit.value}
    for name in ("lower_acceptance", "upper_acceptance"):
        at = in_unit(getattr(found, f"{name}_mm"), entry.unit, entry.step)
        if at is not None:
            said[name] = exact_text(at)
    shown = dict(zip(("lower_acceptance", "upper_acceptance"), acceptance(said), strict=True))
    return {**said, "shown": {name: text for name, text in shown.items() if text}}


def following_piece(state: State) -> str | None:
    """Return the name of the next piece, None where the one in hand has no number to count on from."""
    try:
        return next_piece(state.piece)
    except CommandRefused:
        return None


def _reading(state: State, entry: CharacteristicEntry, position: str | None) -> int | None:
    """Return which reading of this place comes next, from 1; None where nothing counts them."""
    group = state.groups.get(entry.name)
    if entry.combine is not Combine.EACH:
        same = group is not None and (group.lot, group.piece) == (state.lot, state.piece)
        taken = len(group.places.get(position or "", ())) if group is not None and same else 0
        return taken % entry.readings + 1
    if state.piece is None:
        return None
    return state.counts.of((state.lot, state.piece, entry.name, position)) % entry.readings + 1


def _middle(entry: CharacteristicEntry) -> Decimal | None:
    if entry.lower_mm is not None and entry.upper_mm is not None:
        return (entry.lower_mm + entry.upper_mm) / 2
    return entry.lower_mm if entry.upper_mm is None else entry.upper_mm
