"""Which readings, results and forms depended on a master, a gauge, a mastering or a thermometer in a period."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from gaugepost.core.bench.tracing.records import Records, Replacements, replacements
from gaugepost.core.bench.tracing.reliving import Chosen
from gaugepost.core.errors import ValueRefused
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Combine, SetUp, from_document

MOST_TRACED = 100_000
"""Readings that are traced at once; more are to be asked for period by period."""


class What(Enum):
    """What can be traced."""

    MASTER = "master"
    GAUGE = "gauge"
    MASTERING = "mastering"
    THERMOMETER = "thermometer"


@dataclass(frozen=True, slots=True)
class Asked:
    """What is traced, by name or, for a mastering, by its record's sequence; and over which time, ms UTC."""

    what: What
    name: str = ""
    sequence: int = 0
    since_ms: int | None = None
    until_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Dependants:
    """What depended on it, and what stands of it today."""

    chosen: Chosen
    """Readings outside of the period too, where they are members of a result that depended on it."""
    replaced: Replacements
    others: frozenset[int] = frozenset()
    """Readings that are chosen for a result's sake alone: they did not depend on it, or are not of the period."""


def dependants(records: Records, asked: Asked, through: int) -> Dependants:
    """Return what depended on what is asked for, up to the record `through`.

    Raises:
        ValueRefused: the mastering is none, or more depended on it than is traced at once.
    """
    first, last = records.span(asked.since_ms, asked.until_ms)
    last = min(last, through)
    readings: dict[int, Record] = {}
    checked: Mapping[str, int] = {}
    ranges = list(_ranges(records, asked, last))
    reach = last
    if asked.what is What.MASTER:
        checked = _checked(records, asked, last)
        # Checks too: one depends on the master that it was done on, or by its gauge's mastering.
        reach = max((*(end for _, _, end in ranges), *checked.values()), default=0)
    for gauge, start, end in ranges:
        for entry in records.readings(gauge, max(first, start), min(last, end)):
            if within(entry.record, asked) and _rests(entry.record, asked, start):
                readings[entry.sequence] = entry.record
        if len(readings) > MOST_TRACED:
            raise ValueRefused(
                f"more than {MOST_TRACED} readings depended on it",
                hint="name a shorter period with since and until",
            )
    if not readings:
        return Dependants(Chosen({}, {}, {}, frozenset(checked), reach), Replacements(()))
    replaced = replacements(records, min(readings), through)
    several = _several(records, readings, replaced, through)
    missing = {
        base
        for record in several.values()
        for member in record.members or ()
        if (base := replaced.base(member)) not in readings
    }
    readings |= {entry.sequence: entry.record for entry in records.at(missing)}
    bases = {member: replaced.base(member) for record in several.values() for member in record.members or ()}
    chosen = Chosen(dict(sorted(readings.items())), several, bases, frozenset(checked), reach)
    return Dependants(chosen, replaced, frozenset(missing))


def within(record: Record, asked: Asked) -> bool:
    """Whether something was measured in the period that is asked about."""
    since, until = asked.since_ms, asked.until_ms
    return (since is None or record.measured_at >= since) and (until is None or record.measured_at < until)


def _rests(record: Record, asked: Asked, mastering: int) -> bool:
    if asked.what in (What.MASTER, What.MASTERING):
        return record.mastering == mastering
    if asked.what is What.THERMOMETER:
        bodies = ("part", "gauge", "master")
        return any(getattr(record, f"{body}_temperature_c") is not None for body in bodies)
    return True


def _ranges(records: Records, asked: Asked, last: int) -> Iterator[tuple[str, int, int]]:
    """Yield gauges with the range of what may depend on it; a mastering's ends at the next one."""
    if asked.what is What.GAUGE:
        yield asked.name, 0, last
        return
    if asked.what is What.THERMOMETER:
        for gauge in sorted(known_names(records, last)[What.GAUGE]):
            yield gauge, 0, last
        return
    of = [_mastering(records, asked.sequence).gauge or ""] if asked.what is What.MASTERING else None
    ends: dict[str, int] = {}
    masterings = list(records.of_kinds((Kind.MASTERING,), of, 0, last))
    for entry in reversed(masterings):
        record = entry.record
        if record.code != "accepted" or record.gauge is None:
            continue
        end, ends[record.gauge] = ends.get(record.gauge, last), entry.sequence
        named = asked.what is What.MASTER and asked.name in (record.master or "").split("+")
        if named or (asked.what is What.MASTERING and entry.sequence == asked.sequence):
            yield record.gauge, entry.sequence, end


def _checked(records: Records, asked: Asked, last: int) -> dict[str, int]:
    """Return the gauges that were checked on a master, whether they passed hangs on its size, with the last check."""
    checks = records.of_kinds((Kind.CHECK,), None, 0, last)
    named = (entry for entry in checks if entry.record.master == asked.name and within(entry.record, asked))
    return {entry.record.gauge: entry.sequence for entry in named if entry.record.gauge is not None}


def _mastering(records: Records, sequence: int) -> Record:
    found = next(iter(records.at((sequence,))), None)
    if found is None or found.record.kind is not Kind.MASTERING or found.record.code != "accepted":
        what = "no record" if found is None else f"a {found.record.kind}"
        raise ValueRefused(
            f"record {sequence} is {what}, not a mastering that was accepted",
            hint="name the record that a reading has under `mastering`",
        )
    return found.record


def _set_ups(records: Records, through: int) -> Iterator[SetUp]:
    yield records.beginning().set_up
    for entry in records.of_kinds((Kind.SET_UP,), None, 0, through):
        if entry.record.document is not None:
            yield from_document(entry.record.document)


def known_names(records: Records, through: int) -> dict[What, set[str]]:
    """Return the masters, gauges and thermometers that a station file ever had here."""
    names: dict[What, set[str]] = {each: set() for each in What}
    for set_up in _set_ups(records, through):
        names[What.MASTER] |= set_up.masters.keys()
        names[What.GAUGE] |= set_up.gauges.keys()
        names[What.THERMOMETER] |= set_up.thermometers.keys()
    return names


def _several(
    records: Records, readings: dict[int, Record], replaced: Replacements, through: int
) -> dict[int, Record]:
    """Return the results and forms that these readings are members of."""
    gathering = {
        entry.name
        for set_up in _set_ups(records, through)
        for entry in set_up.characteristics.values()
        if entry.combine is not Combine.EACH or entry.places
    }
    found: dict[int, Record] = {}
    spans: dict[str, tuple[int, int]] = {}
    for sequence, record in readings.items():
        if record.characteristic in gathering:
            first, last = spans.get(record.characteristic, (sequence, sequence))
            spans[record.characteristic] = min(first, sequence), max(last, sequence)
    for characteristic, (first, last) in spans.items():
        for entry in records.made_of_several(characteristic, first):
            members = [replaced.base(member) for member in entry.record.members or ()]
            if entry.sequence > through or min(members, default=0) > last:
                break
            if any(base in readings for base in members):
                found[entry.sequence] = entry.record
    return dict(sorted(found.items()))
