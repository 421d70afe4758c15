"""Which of the station's masters fit a gauge, and how each is confirmed. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from gaugepost.core.bench.measuring import characteristic_of
from gaugepost.core.bench.standing import beyond_range, master_overdue
from gaugepost.core.bench.state import NOT_CHECKED, State
from gaugepost.core.bench.trust import aimed_mm
from gaugepost.core.bench.trust.confirming import can_be_scanned
from gaugepost.core.indication import Moment
from gaugepost.core.mastering import predicted_mm
from gaugepost.core.publication import rfc3339
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import CharacteristicEntry, Confirm, GaugeEntry, MasterEntry
from gaugepost.core.shown import fine
from gaugepost.service.mastering.lengths import size_text
from gaugepost.service.views import Document


def rings(state: State, gauge: str, unit: Unit, now: Moment) -> list[Document]:
    """Return every master of the station, those that fit the gauge first, and of those the nearest."""
    entry = state.set_up.gauges[gauge]
    served = _served(state, gauge)
    aims = [aim for each in served if (aim := aimed_mm(each)) is not None]
    listed = [(_why_not(entry, served, master), _away_mm(master, aims), master) for master in _masters(state)]
    listed.sort(key=lambda one: (one[0] is not None, one[1] or Decimal(0), one[2].name))
    return [
        {
            "master": master.name,
            "size": size_text(master.size_mm, unit),
            "fits": why_not is None,
            "why_not": why_not,
            "away": None if away_mm is None else fine(away_mm, unit).lstrip("+"),
            "confirmed_by": _confirmed_by(state, entry, master),
            "certificate": master.certificate,
            "tolerance_class": master.tolerance_class,
            "due": None if master.due_utc_ms is None else rfc3339(master.due_utc_ms),
            "overdue": master_overdue(state, master.name, now),
        }
        for why_not, away_mm, master in listed
    ]


def usual(state: State, gauge: str, listed: Sequence[Document]) -> tuple[str | None, str | None]:
    """Return the masters that a mastering and a check would usually be on: those in force, else the first that fits."""
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    usable = [str(one["master"]) for one in listed if one["fits"] and not one["overdue"]]
    in_force = [name for name in (known.mastered.masters if known.mastered else ()) if name in usable]
    to_master = next(iter([*in_force, *usable]), None)
    confirms = entry.confirm is Confirm.SECOND_MASTER and NOT_CHECKED in known.due and len(in_force) == 1
    others = [name for name in usable if name not in in_force] if confirms else []
    return to_master, next(iter([*others, *in_force, *usable]), None)


def _served(state: State, gauge: str) -> list[CharacteristicEntry]:
    chosen = characteristic_of(state, gauge)
    if chosen is not None:
        return [chosen]
    return [each for each in state.set_up.characteristics.values() if gauge in each.gauges]


def _masters(state: State) -> list[MasterEntry]:
    return list(state.set_up.masters.values())


def _away_mm(master: MasterEntry, aims: Sequence[Decimal]) -> Decimal | None:
    return min((abs(master.size_mm - aim) for aim in aims), default=None)


def _why_not(entry: GaugeEntry, served: Sequence[CharacteristicEntry], master: MasterEntry) -> str | None:
    """Return why a master does not fit: it serves nothing that the gauge measures, or is beyond what it reaches."""
    named = {name for each in served for name in each.masters}
    if served and named and master.name not in named:
        return f"it serves none of {', '.join(each.name for each in served)}"
    beyond = beyond_range(entry, predicted_mm(entry, master, master), master.size_mm)
    if beyond:
        return beyond[0]
    away_mm = _away_mm(master, [aim for each in served if (aim := aimed_mm(each)) is not None])
    if entry.reach_mm is not None and away_mm is not None and away_mm > entry.reach_mm and not named:
        return f"it is further than {fine(entry.reach_mm, Unit.MM).lstrip('+')} from what is measured"
    return None


def _confirmed_by(state: State, entry: GaugeEntry, master: MasterEntry) -> list[str]:
    """Return how it is proved to be the one in hand: by its serial number typed, by a scan, either; nothing asks."""
    if entry.confirm is Confirm.SCAN:
        return ["scan"]
    if master.serial is None:
        return []
    return ["serial", "scan"] if can_be_scanned(state, master) else ["serial"]
