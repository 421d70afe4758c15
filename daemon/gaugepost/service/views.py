"""The station as documents: what a state of the bench looks like to whoever asks. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from decimal import Decimal

from gaugepost.core.bench.judging import ABSOLUTE, ROUNDING, in_unit
from gaugepost.core.bench.measuring import characteristic_of
from gaugepost.core.bench.schedule import calibrations_coming, checks_coming, checks_left
from gaugepost.core.bench.standing import master_overdue, standing
from gaugepost.core.bench.state import Mastered, Procedure, State, elapsed_ms
from gaugepost.core.conformity import SIMPLE
from gaugepost.core.indication import Moment
from gaugepost.core.publication import rfc3339
from gaugepost.core.quantity import CONTEXT, exact_text, quantise_mm
from gaugepost.core.setup import CharacteristicEntry, MasterEntry, ThermometerEntry
from gaugepost.shell.intake import LinkStatus

Document = dict[str, object]


def gauge(state: State, name: str, now: Moment, zone: tzinfo, link: LinkStatus | None) -> Document:
    """Return a gauge: whether it is connected, whether its readings get a verdict, and why they do not."""
    entry, known = state.set_up.gauges[name], state.gauges[name]
    reasons = standing(state, name, now)
    chosen = characteristic_of(state, name)
    return {
        "gauge": name,
        "link": entry.link,
        "channel": entry.channel or None,
        "link_state": link.state if link else None,
        "connected": entry.link in state.links,
        "contact": entry.contact.value,
        "display": entry.display.value,
        "judged": not reasons,
        "reasons": list(reasons),
        "due_soon": [*checks_coming(state, name, now, zone), *calibrations_coming(state, name, now)],
        "check_left": list(checks_left(state, name, now, zone)),
        "calibration_due": rfc3339(entry.due_utc_ms) if entry.due_utc_ms is not None else None,
        "contact_set": known.contact_set,
        "contact_sets": list(entry.contact_sets or ()),
        "mastering": mastering(known.mastered) if known.mastered else None,
        "checked_at": rfc3339(known.checked.utc_ms) if known.checked else None,
        "readings_since_check": known.readings,
        "pieces_since_check": known.pieces,
        "procedure": procedure(known.procedure) if known.procedure else None,
        "characteristic": chosen.name if chosen else None,
    }


def mastering(mastered: Mastered) -> Document:
    """Return what masters fixed: the offset added on the first one, and with two the scale between them."""
    line = mastered.cold
    offset = line.lengths_mm[0] - line.sense * line.indications_mm[0]
    scale = None
    if len(mastered.masters) == 2:
        moved = line.indications_mm[1] - line.indications_mm[0]
        scale = exact_text(quantise_mm(CONTEXT.divide(line.lengths_mm[1] - line.lengths_mm[0], moved)))
    return {
        "masters": list(mastered.masters),
        "offset_mm": exact_text(offset),
        "scale": scale,
        "gauge_temperature_c": _text(mastered.gauge_c),
        "master_temperature_c": _text(mastered.master.celsius if mastered.master else None),
    }


def procedure(going: Procedure) -> Document:
    """Return a mastering or check that is going on: what to read next, and which reading of how many it is."""
    taken, moving = len(going.taken_mm), going.is_moving
    counted = f"reading {taken + 1} of {going.total}"
    movement = {1: "larger", -1: "smaller"}.get(going.movement)
    text = f"read {going.master_now}: {counted}"
    if going.master_now in going.to_scan:
        text = f"scan {going.master_now}, then {text}"
    if moving:
        text = f"move the gauge so that the size is {movement}, then read once more: {counted}"
    return {
        "procedure": "check" if going.is_check else "mastering",
        "masters": list(going.masters),
        "next": None if moving else going.master_now,
        "to_scan": list(going.to_scan),
        "movement": movement,
        "reading": taken + 1,
        "of": going.total,
        "text": text,
    }


def master(state: State, entry: MasterEntry, now: Moment) -> Document:
    """Return a master. Its serial number is not told: a person reads it off the master, which proves it is the one."""
    return {
        "master": entry.name,
        "size_mm": exact_text(entry.size_mm),
        "uncertainty_mm": _text(entry.uncertainty_mm),
        "coverage_factor": _text(entry.coverage_factor),
        "certificate": entry.certificate,
        "coefficient": _text(entry.coefficient),
        "asks_for_serial": entry.serial is not None,
        "due": rfc3339(entry.due_utc_ms) if entry.due_utc_ms is not None else None,
        "overdue": master_overdue(state, entry.name, now),
    }


def characteristic(state: State, entry: CharacteristicEntry) -> Document:
    """Return a characteristic with its limits in the drawing's unit and in mm, and the gauges that are set to it."""
    sizes = {"nominal": entry.nominal_mm, "lower": entry.lower_mm, "upper": entry.upper_mm}
    return {
        "characteristic": entry.name,
        "feature": entry.feature.value,
        "unit": entry.unit.value,
        **{name: _text(in_unit(size, entry.unit, entry.step)) for name, size in sizes.items()},
        **{f"{name}_mm": _text(size) for name, size in sizes.items()},
        "step": exact_text(entry.step),
        "gauges": list(entry.gauges),
        "masters": list(entry.masters),
        "readings": entry.readings,
        "combine": entry.combine.value,
        "positions": list(entry.positions),
        "size_modifier": entry.size_modifier,
        "rule": str(entry.rule or SIMPLE),
        "method": ABSOLUTE if entry.rounding is None else ROUNDING,
        "selected_for": [name for name in state.gauges if characteristic_of(state, name) is entry],
    }


def thermometers(state: State, now: Moment) -> Document:
    """Return what thermometers showed last and what is declared instead; the source is that of its own body."""
    declared = [
        {
            "body": said.body.value,
            "temperature_c": exact_text(said.celsius),
            "spread_k": _text(said.spread_k),
            "source": "declared",
        }
        for said in state.set_up.declared
    ]
    measured = [_thermometer(state, entry, now) for entry in state.set_up.thermometers.values()]
    return {"thermometers": measured, "declared": declared}


def _thermometer(state: State, entry: ThermometerEntry, now: Moment) -> Document:
    shown = state.temperatures.get(entry.name)
    age = elapsed_ms(now, shown.at) if shown else None
    return {
        "thermometer": entry.name,
        "link": entry.link,
        "body": entry.body.value,
        "gauge": entry.gauge,
        "temperature_c": exact_text(shown.celsius) if shown else None,
        "measured_at": rfc3339(shown.at.utc_ms) if shown else None,
        "age_s": age / 1000 if age is not None else None,
        "max_age_s": entry.max_age_ms / 1000,
        "used": age is not None and age <= entry.max_age_ms,
        "source": "measured",
        "assumed_for": [body.value for body in entry.stands_in_for],
    }


def link(status: LinkStatus) -> Document:
    """Return how a link stands."""
    last = status.last_frame_utc_ms
    return {
        "link": status.name,
        "state": status.state,
        "description": status.description or None,
        "problem": status.problem or None,
        "since": rfc3339(status.since_utc_ms),
        "frames": status.frames,
        "bad_frames": status.bad_frames,
        "last_frame_at": rfc3339(last) if last is not None else None,
        "signal_dbm": status.reception.signal_dbm,
        "battery_percent": status.reception.battery_percent,
    }


def tags(state: State) -> Mapping[str, str | None]:
    """Return what is in hand."""
    return {"operator": state.operator, "lot": state.lot, "piece": state.piece, "position": state.position}


def _text(value: Decimal | None) -> str | None:
    return None if value is None else exact_text(value)
