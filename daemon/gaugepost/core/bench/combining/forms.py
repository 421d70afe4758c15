"""The record of the form that a feature's places show: ovality along the angles, the rest along the depth."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from gaugepost.core.bench.budgeting import Unstated, fields_of, form_budgets
from gaugepost.core.bench.combining.groups import members_of, told_of
from gaugepost.core.bench.judging.fields import NEAR_0
from gaugepost.core.bench.state import Group, Member, State
from gaugepost.core.form import OVAL, Form, Place, form_of, unseen
from gaugepost.core.mastering import mean
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import CharacteristicEntry, Contact
from gaugepost.core.uncertainty import six_digits

HALF_TURN_DEG = 180
"""A diameter at 180° is the one at 0°."""

NO_UNCERTAINTY = (
    "not stated for a form: what its sizes have in common cancels, what repeats makes it look larger"
)
"""What derivation 3 said."""


def form_record(state: State, entry: CharacteristicEntry, reading: Record, group: Group) -> Record | None:
    """Return what the places of a complete group show of the form; None where they are not enough to show any."""
    members = [member for member in members_of(group, entry) if member.gauge in state.set_up.gauges]
    contacts = {state.set_up.gauges[member.gauge].contact for member in members}
    places, used = [], []
    cells: dict[tuple[Decimal | None, Decimal | None], list[Member]] = {}
    for position in entry.positions:
        declared = (entry.places or {}).get(position)
        if declared is None:
            continue
        angle = declared.angle_deg
        if angle is not None and contacts == {Contact.TWO_POINT}:
            angle %= HALF_TURN_DEG
        for member in group.places[position]:
            places.append(Place(member.value_mm, angle, declared.depth_mm))
            used.append(member.sequence)
            cells.setdefault((angle, declared.depth_mm), []).append(member)
    form, reasons = form_of(places), []
    blind = sorted(contact for contact in contacts if unseen(contact, OVAL))
    if form.ovality_mm is not None and blind:
        reasons.append(f"{' and '.join(blind)} contact can't see an oval: no ovality is stated")
        form = Form(taper_mm=form.taper_mm, barrel_mm=form.barrel_mm, bell_mouth_mm=form.bell_mouth_mm)
    if form == Form() and not reasons:
        return None
    stated = _uncertainty(state, entry, cells, form)
    known_mm = stated.get("ovality_uncertainty_mm")
    if form.ovality_mm is not None and known_mm is not None and form.ovality_mm <= known_mm:
        reasons.append(f"ovality {NEAR_0}")
    return Record(
        kind=Kind.FORM,
        **told_of(entry, reading),
        unit=entry.unit,
        members=tuple(used),
        ovality_mm=form.ovality_mm,
        taper_mm=form.taper_mm,
        barrel_mm=form.barrel_mm,
        bell_mouth_mm=form.bell_mouth_mm,
        **stated,
        reasons=tuple(reasons) or None,
        derivation=state.derivation,
    )


def _uncertainty(
    state: State,
    entry: CharacteristicEntry,
    members: Mapping[tuple[Decimal | None, Decimal | None], list[Member]],
    form: Form,
) -> dict[str, Any]:
    """Return the fields that say how well a form's figures are known, all with the largest coverage factor."""
    if state.derivation < 4:
        return {"uncertainty_reasons": (NO_UNCERTAINTY,)}
    cells = [
        Place(mean(tuple(member.value_mm for member in taken)), *place) for place, taken in members.items()
    ]
    made = form_budgets(state.set_up, entry, cells, [*members.values()], state.derivation)
    if isinstance(made, Unstated):
        return dict(fields_of(made))
    shown = {figure: each for figure, each in made.items() if getattr(form, f"{figure}_mm") is not None}
    if not shown:
        return {}
    least = max(shown.values(), key=lambda each: each.coverage_factor)
    factor = least.coverage_factor
    return {
        **{
            f"{figure}_uncertainty_mm": six_digits(factor * each.standard_mm)
            for figure, each in shown.items()
        },
        "coverage_factor": six_digits(factor),
        "degrees_of_freedom": least.degrees_of_freedom,
    }
