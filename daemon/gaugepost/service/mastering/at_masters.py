"""A gauge at its masters, in one document: which ring, soak, what is read, what came of it, what is next."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from gaugepost.core.bench.outcomes import as_part
from gaugepost.core.bench.schedule import calibrations_coming, checked_until_ms, checks_coming, checks_left
from gaugepost.core.bench.standing import standing
from gaugepost.core.bench.state import NOT_CHECKED, Procedure, State
from gaugepost.core.bench.temperatures import temperature_of
from gaugepost.core.indication import Moment
from gaugepost.core.mastering import correct, needs_proof_of_sense
from gaugepost.core.publication import rfc3339
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry
from gaugepost.core.setup import Body, MasterEntry
from gaugepost.service import views
from gaugepost.service.facade import Running
from gaugepost.service.mastering.lengths import unit_of_gauge, width
from gaugepost.service.mastering.outcome import outcome
from gaugepost.service.mastering.read import of_check, of_mastering
from gaugepost.service.mastering.rings import rings, usual
from gaugepost.service.mastering.soaking import soaking
from gaugepost.service.views import Document


def document(running: Running, gauge: str) -> Document:
    """Return how a gauge stands at its masters. Reads the disk: for a thread of its own."""
    state, now, zone = running.recorder.state, running.now(), running.station.zone
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    unit = unit_of_gauge(state, gauge)
    listed = rings(state, gauge, unit, now)
    to_master, to_check = usual(state, gauge, listed)
    reasons = standing(state, gauge, now)
    until_ms = checked_until_ms(state, gauge, now, zone)
    intake = next(each for each in running.intakes if each.name == entry.link)
    last = outcome(state, running.reader, running.station.name, gauge, unit)
    return {
        "gauge": gauge,
        "head": running.growth.head,
        "connected": entry.link in state.links,
        "contact": entry.contact.value,
        "display": entry.display.value,
        "takes": entry.stream.takes.value if entry.stream else None,
        "can_be_asked": intake.can_be_asked(entry.channel),
        "contact_set": known.contact_set,
        "contact_sets": list(entry.contact_sets or ()),
        "prove_sense": needs_proof_of_sense(entry),
        "readings": {"mastering": entry.mastering_readings, "check": entry.check_readings},
        "limits": {
            "preset": width(entry.preset_limit_mm, unit),
            "check": width(entry.check_limit_mm, unit),
            "spread": None if entry.spread_limit_mm is None else width(entry.spread_limit_mm, unit),
        },
        "masters": listed,
        "usual": {"mastering": to_master, "check": to_check},
        "soak": soaking(state, gauge, now),
        "mastered": known.mastered is not None,
        "judged": not reasons,
        "reasons": list(reasons),
        "due_soon": [*checks_coming(state, gauge, now, zone), *calibrations_coming(state, gauge, now)],
        "valid_until": None if until_ms is None else rfc3339(until_ms),
        "left": list(checks_left(state, gauge, now, zone)),
        "next": _next(state, gauge, reasons, last),
        "procedure": _going(running, state, gauge, known.procedure, unit, now) if known.procedure else None,
        "outcome": last,
    }


def _next(state: State, gauge: str, reasons: tuple[str, ...], last: Document | None) -> str:
    """Return what is to be done with the gauge: mastering, check, calibration, or measuring."""
    known = state.gauges[gauge]
    if known.mastered is None:
        return "mastering"
    if not reasons:
        return "measuring"
    if all("overdue" in reason for reason in reasons):
        return "calibration"
    spoiled = last is not None and (last["kind"], last["code"]) in (
        ("check", "failed"),
        ("mastering", "refused"),
        ("abandoned", "mastering"),
    )
    return "mastering" if spoiled and NOT_CHECKED not in known.due else "check"


def _going(running: Running, state: State, gauge: str, going: Procedure, unit: Unit, now: Moment) -> Document:
    """Return the mastering or check that goes on, with what was read of it so far."""
    entry, epoch = state.set_up.gauges[gauge], running.reader.epoch
    masters = [state.set_up.masters[name] for name in going.masters]
    found = [running.reader.entry(each) for each in going.members]
    read: list[Entry] = [each for each in found if each is not None][: going.wanted * len(masters)]
    if going.is_check:
        error = _error(state, gauge, masters[0], now)
        sets = [of_check(entry, masters[0], read, error, going.wanted, unit, epoch)]
    else:
        sets = of_mastering(entry, masters, read, going.wanted, unit, epoch)
    taken = len(going.taken_mm)
    may_finish = not going.movement and taken > going.wanted * (len(masters) - 1)
    return {
        **views.procedure(going),
        "begun": running.id_of(going.begun),
        "master": going.master_now,
        "number": min(taken % going.wanted + 1 if not going.is_moving else going.wanted, going.wanted),
        "wanted": going.wanted,
        "scan": going.master_now in going.to_scan and not going.is_moving,
        "may_finish": may_finish,
        "sets": sets,
    }


def _error(state: State, gauge: str, master: MasterEntry, now: Moment) -> Callable[[Decimal], Decimal]:
    """Return what makes of an indication its deviation from the master's size, as a check ended now would."""
    entry, mastered = state.set_up.gauges[gauge], state.gauges[gauge].mastered
    assert mastered is not None, "a check is of a gauge that was mastered"
    at = [temperature_of(state, body, gauge, now) for body in (Body.GAUGE, Body.MASTER)]
    temperatures = as_part(entry, mastered, master, *at)
    return lambda shown: correct(shown, mastered.cold, mastered.warm, temperatures).value_mm - master.size_mm
