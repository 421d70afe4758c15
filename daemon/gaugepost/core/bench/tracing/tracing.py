"""The trace: what depended on something, what it comes to once that is corrected, and what changes by it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from gaugepost.core.bench.tracing.dependants import Asked, Dependants, What, dependants, within
from gaugepost.core.bench.tracing.records import Records
from gaugepost.core.bench.tracing.reliving import NUMBERS, Chosen, again, relive
from gaugepost.core.bench.tracing.revision import Revision, revision_of
from gaugepost.core.record import Entry, Kind, Record


@dataclass(frozen=True, slots=True)
class Row:
    """A reading, a result or a form that depended on it."""

    base: int
    """Sequence of the record that it began as."""
    kind: Kind
    """What it began as."""
    measured_at: int
    """When it was measured, ms UTC."""
    stands: Entry
    """What stands today: itself, or what amended it or judged it again last."""
    made: Record
    """What it comes to: the record that stands, with other numbers."""
    revision: Revision
    """All that is corrected in it: by earlier records too."""

    @property
    def changes(self) -> tuple[str, ...]:
        """Names of the fields that come out otherwise."""
        record = self.stands.record
        return tuple(name for name in NUMBERS if getattr(record, name) != getattr(self.made, name))


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A check whose outcome is another once something is corrected."""

    sequence: int
    record: Record
    """As recorded."""
    made: Record
    """As it comes to."""

    @property
    def passes(self) -> bool:
        """Whether its error is within its limit, as corrected."""
        error, limit = self.made.error_mm, self.record.limit_mm
        return error is not None and limit is not None and abs(error) <= limit


@dataclass(frozen=True, slots=True)
class Trace:
    """All that depended on what was asked for, in its order; members that change with it too, of results that did."""

    asked: Asked
    revision: Revision
    through: int
    rows: tuple[Row, ...]
    checks: tuple[CheckRow, ...]
    """Those whose outcome is another."""
    voided: int
    """How many more there were that do not count."""
    bases: Mapping[int, int]
    """What members of results began as, where that is another record."""
    lost: int
    """How many could not be made again: what they rest on is missing, or is two masters that come out equal."""
    others: tuple[Row, ...] = ()
    """Members of such results that did not depend on it themselves: they stay as they are."""


def trace(records: Records, asked: Asked, revision: Revision, through: int) -> Trace:
    """Return what depended on what is asked for, up to the record `through`, and what becomes of it under `revision`.

    What an earlier record corrected stays so, unless `revision` says otherwise of the same. Raises `ValueRefused`.
    """
    found = dependants(records, asked, through)
    stands: dict[int, Entry] = {}
    bases = {**found.chosen.readings, **found.chosen.several}
    for sequence, record in bases.items():
        if (entry := found.replaced.standing(Entry(sequence, b"", record))) is not None:
            stands[sequence] = entry
    rows: dict[int, Row] = {}
    checks: dict[int, Record] = {}
    of_thermometer, made_again = asked.what is What.THERMOMETER, 0
    for whole, wanted, part in _by_revision(found, stands, revision):
        relived = relive(records, part, whole, with_thermometers=of_thermometer, checks=_came_otherwise)
        for each in relived:
            at, base = each.sequence, bases.get(each.sequence)
            if base is None:
                if within(each.record, asked):
                    checks[at] = each.record
            elif at in wanted:
                made_again += 1
                if not of_thermometer or asked.name in each.thermometers:
                    itself = stands[at].sequence == at
                    made = each.record if itself else made_of(stands[at].record, each.record)
                    rows[at] = Row(at, base.kind, base.measured_at, stands[at], made, whole)
    others = {at for at in found.others & rows.keys() if not rows[at].changes}
    return Trace(
        asked,
        revision,
        through,
        tuple(rows[at] for at in sorted(rows.keys() - others)),
        tuple(CheckRow(entry.sequence, entry.record, checks[entry.sequence]) for entry in records.at(checks)),
        len(bases.keys() - stands.keys() - found.others),
        found.chosen.bases,
        len(stands) - made_again,
        tuple(rows[at] for at in sorted(others)),
    )


def _by_revision(
    found: Dependants, stands: Mapping[int, Entry], revision: Revision
) -> Iterator[tuple[Revision, frozenset[int], Chosen]]:
    """Yield, for each revision that records are made under, their bases, and these with the members they need."""
    chosen = found.chosen
    groups: dict[tuple[str, ...], tuple[Revision, set[int]]] = {}
    of_said: dict[tuple[str, ...], set[int]] = {}
    for sequence, entry in stands.items():
        members = chosen.several[sequence].members if sequence in chosen.several else None
        parts = [entry, *(stands[base] for each in members or () if (base := chosen.bases[each]) in stands)]
        said = dict.fromkeys(text for part in parts for text in part.record.corrected or ())
        if (of_these := of_said.get(key := tuple(said))) is None:
            whole = revision_of(said).and_then(revision)
            of_these = of_said[key] = groups.setdefault(whole.texts(), (whole, set()))[1]
        of_these.add(sequence)
    if not groups and chosen.gauges:
        groups[revision.texts()] = revision, set()
    for whole, wanted in groups.values():
        several = {at: record for at, record in chosen.several.items() if at in wanted}
        needed = {chosen.bases[each] for record in several.values() for each in record.members or ()}
        readings = {at: record for at, record in chosen.readings.items() if at in wanted or at in needed}
        yield whole, frozenset(wanted), replace(chosen, readings=readings, several=several)


def _came_otherwise(check: Record) -> bool:
    """Whether a check's outcome is another by its corrected error: `check` has that, and the outcome of its day."""
    if check.error_mm is None or check.limit_mm is None:
        return False
    within_limit = abs(check.error_mm) <= check.limit_mm
    if check.code == "passed":
        return not within_limit
    return within_limit and len(check.reasons or ()) == 1


def made_of(stands: Record, made: Record) -> Record:
    """Return the record that stands with the numbers of the one made once more."""
    return again(stands, {name: value for name, value in vars(made).items() if name in NUMBERS})
