"""Readings, results and checks made once more, in their order, as if a certificate or thermometer had been right.

Masterings and checks go through the bench's own steps, with the set-up as it should have been; so a reading rests on
the mastering, the scatter and the display that it rested on, and nothing is made anew that was measured.
"""

from __future__ import annotations

import decimal
import heapq
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from gaugepost.core.bench.apply import apply, resting
from gaugepost.core.bench.budgeting import Unstated, check_budget, fields_of
from gaugepost.core.bench.combining import budget_made, completed, member_of
from gaugepost.core.bench.judging import judged
from gaugepost.core.bench.judging.fields import NO_CHARACTERISTIC
from gaugepost.core.bench.outcomes import as_part, spans
from gaugepost.core.bench.standing import beyond_range
from gaugepost.core.bench.state import Group, Member, State
from gaugepost.core.bench.temperatures import fresh_thermometer, recorded
from gaugepost.core.bench.tracing.basis import Basis, corrected
from gaugepost.core.bench.tracing.records import Records
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.conformity import Verdict
from gaugepost.core.frozen import changed, filled
from gaugepost.core.indication import Moment
from gaugepost.core.mastering import correct, mean
from gaugepost.core.quantity import CONTEXT, Unit, parse_number, to_mm
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Body, CharacteristicEntry, MasterEntry, from_document, to_document
from gaugepost.core.uncertainty import Budget

MASTERING_KINDS = (
    Kind.MASTERING_BEGUN, Kind.MASTER_READING, Kind.MASTERING, Kind.CHECK_BEGUN, Kind.CHECK, Kind.ABANDONED,
)  # fmt: skip
WARMTH_KINDS = (Kind.START, Kind.TEMPERATURE)
NUMBERS = (
    "value_mm", "value", "unit", "deviation", "lower", "upper", "verdict", "decision", "rule", "conformity",
    "probability", "uncertainty_mm", "coverage_factor", "reasons", "master_correction_mm", "thermal_correction_mm",
    "part_temperature_c", "gauge_temperature_c", "master_temperature_c", "rule_parameter", "lower_acceptance",
    "upper_acceptance", "remedy", "method", "standard_uncertainty_mm", "degrees_of_freedom", "uncertainty_reasons",
    "ovality_mm", "taper_mm", "barrel_mm", "bell_mouth_mm", "ovality_uncertainty_mm", "taper_uncertainty_mm",
    "barrel_uncertainty_mm", "bell_mouth_uncertainty_mm",
)  # fmt: skip
"""Fields that a correction can change."""
_NUMBERS = frozenset(NUMBERS)
STATED = (
    "uncertainty_mm", "coverage_factor", "standard_uncertainty_mm", "degrees_of_freedom", "uncertainty_reasons",
)  # fmt: skip
"""Fields that say a check's own uncertainty."""


@dataclass(frozen=True, slots=True)
class Relived:
    """A reading, result, form or check as it comes out once more."""

    sequence: int
    record: Record
    thermometers: frozenset[str] = frozenset()
    """Those that its temperatures came from, where that was asked for."""
    budget: Budget | Unstated | None = None
    """Of a reading, or of a result where that was asked for: what its uncertainty is from, or why none is stated."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """Readings, and what was made of several of them, by their sequences; the bases of records that are members."""

    readings: Mapping[int, Record]
    several: Mapping[int, Record]
    bases: Mapping[int, int]
    gauges: frozenset[str] = frozenset()
    """Gauges whose checks are made again, beside those of the readings."""
    through: int = 0
    """Up to where."""


def relive(
    records: Records,
    chosen: Chosen,
    revision: Revision,
    *,
    with_thermometers: bool = False,
    with_budgets: bool = False,
    checks: Callable[[Record], bool] | None = None,
) -> Iterator[Relived]:
    """Yield what `chosen` and the checks between come to under `revision`, in their order.

    Under a revision that corrects nothing each comes out as it was recorded. `checks` says by their errors which checks
    are wanted: all are where it is left out. With `with_budgets` results have theirs, as readings always do.
    """
    if not chosen.readings and not chosen.gauges:
        return
    start = records.beginning()
    warmth = with_thermometers or bool(revision.thermometers)
    bench = _Bench(chosen, revision, start, checks, with_thermometers=warmth, with_budgets=with_budgets)
    for entry in _merged(records, chosen, bench.with_thermometers):
        # A generator's caller may compute between two steps: the context is ours only within one.
        with decimal.localcontext(CONTEXT):
            made = bench.step(entry)
        if made is not None:
            yield made


def _merged(records: Records, chosen: Chosen, with_thermometers: bool) -> Iterator[Entry]:
    last = max((chosen.through, *chosen.readings, *chosen.several))
    gauges = chosen.gauges.union(r.gauge for r in chosen.readings.values() if r.gauge is not None)
    wanted = sorted({**chosen.readings, **chosen.several}.items())
    feeds: list[Iterator[Entry]] = [
        records.of_kinds((Kind.SET_UP, Kind.SALVAGE), None, 0, last),
        records.of_kinds(MASTERING_KINDS, gauges, 0, last),
        (Entry(sequence, b"", record) for sequence, record in wanted),
    ]
    if with_thermometers:
        feeds.append(records.of_kinds(WARMTH_KINDS, None, 0, last))
    return heapq.merge(*feeds, key=lambda entry: entry.sequence)


class _Bench:
    """The bench as it should have been, as far as numbers go."""

    def __init__(
        self,
        chosen: Chosen,
        revision: Revision,
        start: State,
        checks: Callable[[Record], bool] | None,
        *,
        with_thermometers: bool,
        with_budgets: bool,
    ) -> None:
        self.with_thermometers, self._with_budgets = with_thermometers, with_budgets
        self._wanted = checks
        self._chosen, self._revision = chosen, revision
        self._state = changed(start, set_up=revision.of(start.set_up), groups={})
        self._start = start.sequence
        self._members: dict[int, tuple[Member, Record, frozenset[str]]] = {}
        self._mastered_by: dict[int, frozenset[str]] = {}
        self._without_scale: set[int] = set()

    def step(self, entry: Entry) -> Relived | None:
        """Return what a record that was chosen, or a check, comes to; follow every other."""
        if entry.sequence in self._chosen.readings:
            return self._reading(entry)
        if entry.sequence in self._chosen.several:
            return self._several(entry)
        record: Record | None = entry.record
        state = changed(self._state, sequence=entry.sequence - 1)
        if entry.record.kind in MASTERING_KINDS:
            record = resting(state, entry.record)
        if record is None:
            return None
        if record.kind is Kind.SET_UP and record.document is not None and self._revision.masters:
            record = replace(record, document=to_document(self._revision.of(from_document(record.document))))
        elif record.kind is Kind.MASTERING:
            record = self._mastering(entry.sequence, record)
        elif record.kind is Kind.CHECK:
            record = self._check(record)
        before, self._state = self._state, apply(state, record)
        if record.kind is not Kind.CHECK or (self._wanted is not None and not self._wanted(record)):
            return None
        return Relived(entry.sequence, _stated(before, record))

    def _is_revised(self, *masters: str) -> bool:
        """Whether what rests on these masters may come to something else than was recorded."""
        return self.with_thermometers or not self._revision.masters.keys().isdisjoint(masters)

    def _mastering(self, sequence: int, record: Record) -> Record:
        gauge, set_up = record.gauge, self._state.set_up
        assert gauge is not None and record.master is not None
        names = record.master.split("+")
        masters = [set_up.masters[name] for name in names]
        found, fields = self._temperatures(record, Body.GAUGE, Body.MASTER)
        self._mastered_by[sequence] = found
        record = replace(record, **fields) if fields else record
        if not _has_scale(masters, record, set_up.gauges[gauge].sense):
            self._without_scale.add(sequence)
        if record.master_spans_mm is None or not self._is_revised(*names):
            return record
        at, master_at = recorded(record, Body.GAUGE), recorded(record, Body.MASTER)
        return replace(record, master_spans_mm=spans(set_up.gauges[gauge], masters, at, master_at))

    def _check(self, record: Record) -> Record:
        assert record.gauge is not None and record.master is not None
        known, set_up = self._state.gauges[record.gauge], self._state.set_up
        master, entry = set_up.masters[record.master], set_up.gauges[record.gauge]
        assert known.procedure is not None and known.mastered is not None
        if not self._is_revised(record.master, *known.mastered.masters):
            return record
        record = replace(record, **self._temperatures(record, Body.GAUGE, Body.MASTER)[1])
        at, master_at = recorded(record, Body.GAUGE), recorded(record, Body.MASTER)
        temperatures = as_part(entry, known.mastered, master, at, master_at)
        found = correct(
            mean(known.procedure.taken_mm), known.mastered.cold, known.mastered.warm, temperatures
        )
        return replace(
            record,
            value_mm=found.value_mm,
            master_correction_mm=found.master_mm,
            thermal_correction_mm=found.thermal_mm,
            error_mm=found.value_mm - master.size_mm,
        )

    def _reading(self, entry: Entry) -> Relived | None:
        record, state = entry.record, self._state
        assert record.gauge is not None and record.indication is not None
        if record.set_up != state.set_up_sequence:
            return None  # the station file of its day is missing
        is_of_master = record.characteristic is None and NO_CHARACTERISTIC not in (record.reasons or ())
        if is_of_master and (record.derivation or 1) > 4:
            return Relived(entry.sequence, record)  # and was not taken: it has no numbers
        known = state.gauges[record.gauge]
        mastered = known.mastered.sequence if known.mastered is not None else None
        if record.mastering not in (None, mastered):
            return None  # the mastering that it rests on is
        if record.mastering in self._without_scale:
            return None  # its two masters come out equal, or exchanged
        if self._revision and self._start and (mastered or 0) <= self._start:
            return None  # it is archived, and mastered as the station file said then
        found, fields = self._temperatures(record, Body.PART, Body.GAUGE)
        warmed = replace(record, **fields) if fields else record
        characteristic = state.set_up.characteristics.get(record.characteristic or "")
        basis = Basis(
            state.set_up, record.gauge, characteristic, known.mastered if record.mastering else None, known.scatter,
            recorded(warmed, Body.PART), recorded(warmed, Body.GAUGE), parse_number(record.indication),
            Unit(record.indication_unit) if record.indication_unit else None, record.measured_at,
            record.derivation or 1,
        )  # fmt: skip
        made = corrected(basis)
        numbers = made.judged(basis, self._reasons(record, basis, made.value_mm))
        record = again(record, numbers)
        if record.mastering is not None:
            found |= self._mastered_by.get(record.mastering, frozenset())
        if record.value_mm is not None:
            self._members[entry.sequence] = member_of(state, record, entry.sequence), record, found
        return Relived(entry.sequence, record, found, made.budget)

    def _reasons(self, record: Record, basis: Basis, value_mm: Decimal | None) -> tuple[str, ...]:
        """Return what speaks against a verdict: as it was, but for what hangs on the value."""
        said = (record.reasons or ()) if record.verdict == Verdict.NOT_JUDGED else ()
        if basis.characteristic is None:
            said = said[:-1]  # that nothing is selected is said again
        if basis.unit is None:
            return said
        shown_mm, entry = to_mm(basis.shown, basis.unit), basis.set_up.gauges[basis.gauge]
        before = beyond_range(entry, shown_mm, record.value_mm)
        after = beyond_range(entry, shown_mm, value_mm)
        if before == after:
            return said
        return (*(reason for reason in said if reason not in before), *after)

    def _several(self, entry: Entry) -> Relived | None:
        record = entry.record
        assert record.members is not None and record.characteristic is not None
        known = [(sequence, self._chosen.bases.get(sequence, sequence)) for sequence in record.members]
        if any(base not in self._members for _, base in known):
            return None
        characteristic = self._state.set_up.characteristics[record.characteristic]
        places: dict[str, tuple[Member, ...]] = {}
        last_base = max(base for _, base in known)  # what completed it, which nothing replaced before
        for sequence, base in known:
            member, reading, _ = self._members[base]
            if base != last_base:
                place = reading.position or ""
                places[place] = (*places.get(place, ()), replace(member, sequence=sequence))
        last = self._members[last_base][1]
        state = changed(
            self._state,
            sequence=last_base - 1,
            derivation=record.derivation or 1,
            groups={characteristic.name: Group(last.lot, last.piece, places)},
        )
        found = frozenset[str]().union(*(self._members[base][2] for _, base in known))
        readings = [self._members[base][1] for _, base in known]
        doubts = dict.fromkeys(
            why for each in readings if each.verdict == Verdict.NOT_JUDGED for why in each.reasons or ()
        )
        made = next(
            (each for each in completed(state, characteristic, last) if each.kind is record.kind), None
        )
        if made is None:
            return None
        budget = budget_made(state, characteristic, last) if self._with_budgets else None
        return Relived(entry.sequence, _doubted(made, characteristic, (*doubts,)), found, budget)

    def _temperatures(self, record: Record, *bodies: Body) -> tuple[frozenset[str], dict[str, Any]]:
        """Return the thermometers that these bodies' temperatures came from, and the temperatures as corrected."""
        if not self.with_thermometers:
            return frozenset(), {}
        assert record.gauge is not None and self._state.now is not None
        now = Moment(record.measured_at, record.clock_ms, self._state.now.boot)
        found, fields = set(), {}
        for body in bodies:
            celsius = getattr(record, f"{body}_temperature_c")
            name = None if celsius is None else fresh_thermometer(self._state, body, record.gauge, now)
            if name is not None:
                found.add(name)
                fields[f"{body}_temperature_c"] = self._revision.celsius(celsius, name)
        return frozenset(found), fields


def _has_scale(masters: list[MasterEntry], record: Record, sense: int) -> bool:
    """Whether masters can have had these sizes: the gauge went the way of them, from one of two to the other."""
    if len(masters) < 2 or record.code != "accepted":
        return True
    assert record.master_indications_mm is not None
    (first, second), (on_first, on_second) = masters, record.master_indications_mm
    return sense * (on_second - on_first) * (second.size_mm - first.size_mm) > 0


def _doubted(made: Record, entry: CharacteristicEntry, doubts: tuple[str, ...]) -> Record:
    """Return what was made of several readings, some of which are in doubt by now: a result is not judged then."""
    if not doubts:
        return made
    if made.kind is Kind.FORM:
        return replace(made, reasons=(*(made.reasons or ()), *doubts))
    stated = {name: getattr(made, name) for name in STATED}
    return again(made, stated | judged(entry, made.value_mm, doubts, is_member=False))


def _stated(state: State, check: Record) -> Record:
    """Return a check with what its uncertainty is in `state`, the bench before it."""
    if check.derivation is None or check.derivation < 3:
        return check
    assert check.gauge is not None and check.master is not None
    going = state.gauges[check.gauge].procedure
    assert going is not None
    made = check_budget(
        state,
        check.gauge,
        state.set_up.masters[check.master],
        recorded(check, Body.MASTER),
        recorded(check, Body.GAUGE),
        check.measured_at,
        max(to_mm(step, unit) for unit, step in going.units),
        check.thermal_correction_mm is not None,
        len(going.taken_mm),
        check.derivation,
    )
    stated: dict[str, Any] = dict.fromkeys(STATED)
    return replace(check, **(stated | dict(fields_of(made))))


def again(record: Record, numbers: Mapping[str, Any]) -> Record:
    """Return a record with other numbers; everything else is as it was."""
    kept = {name: value for name, value in vars(record).items() if name not in _NUMBERS}
    kept.update({name: value for name, value in numbers.items() if value is not None})
    return filled(Record, kept)
