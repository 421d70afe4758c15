"""A day at the bench with everything in it, made once more: quick cases of what test_trace_reliving holds."""

from collections.abc import Collection, Iterator
from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import State, apply, events as ev
from gaugepost.core.bench.tracing.dependants import Asked, What, dependants
from gaugepost.core.bench.tracing.reliving import Chosen, relive
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import trace
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Combine
from tests.core.station import AIR, Hand
from tests.core.test_trace_reliving import MEASURED, live, relived, station
from tests.core.trail import Trail

STEPS = [
    ("show", "38.0040"),
    ("show", "38.0112"),
    ("warm", "24.0"),
    ("show", "38.0145"),
    ("inch", "1.49660"),
    ("check", "38.0045"),
    ("piece", "2"),
    ("show", "38.0010"),
    ("lose", ""),
    ("show", "38.0101"),
    ("check", "38.2000"),
    ("show", "38.0103"),
    ("master", "38.0052"),
    ("check-2", "38.0025"),
    ("piece", "1"),
    ("show", "38.0250"),
    ("show", "38.0140"),
    ("show", "37.9990"),
    ("show", "38.0290"),
]
RANGE = (D("37.999"), D("38.020"))
_COMPARED = ("value_mm", "error_mm", "uncertainty_mm", "master_correction_mm", "thermal_correction_mm",
             "part_temperature_c", "gauge_temperature_c", "master_temperature_c")  # fmt: skip
"""What a correction changes, of a check too."""


def lived(combine: Combine, size: str = "38.0012", shift: D = D(0)) -> Hand:
    """Live the day under a ring of this size, with a thermometer that shows so much more.

    Only where no reading waits for others may one be out of range: else the next one's place would hang on it.
    """
    within = RANGE if combine is Combine.EACH else None
    return live(station(combine, size, size_range_mm=within, repeatability_mm=D("0.0004")), STEPS, shift)


def _compared(record: Record) -> list[object]:
    return [getattr(record, name) for name in _COMPARED]


@pytest.mark.parametrize("combine", list(Combine))
def test_a_day_comes_out_as_it_was(combine: Combine) -> None:
    """Under no correction each reading, result, form and check of it is what was recorded."""
    hand = lived(combine)
    came = relived(hand.records, Revision())
    wanted = [at for at, record in enumerate(hand.records, 1) if record.kind in (*MEASURED, Kind.CHECK)]
    assert [each.sequence for each in came] == wanted
    assert [each.record for each in came] == [hand.records[at - 1] for at in wanted]


@pytest.mark.parametrize(
    ("combine", "size"), [(Combine.EACH, "38.0022"), *((combine, "37.9962") for combine in Combine)]
)
def test_a_day_under_the_right_ring(combine: Combine, size: str) -> None:
    """Corrected, it is what would have been lived: values, verdicts, uncertainties and what is out of range."""
    wanted = lived(combine, size).records
    came = relived(lived(combine).records, Revision(masters={"ring-1": {"size": D(size)}}))
    measured = [each for each in came if each.record.kind is not Kind.CHECK]
    assert [each.record for each in measured] == [wanted[each.sequence - 1] for each in measured]
    for each in came:
        assert _compared(each.record) == _compared(wanted[each.sequence - 1])


@pytest.mark.parametrize("combine", [Combine.EACH, Combine.MEAN])
def test_a_day_with_the_right_thermometer(combine: Combine) -> None:
    """What its thermometer should have shown corrects masterings, checks and parts alike, and is named."""
    shift = D("0.5")
    wanted = lived(combine, shift=shift).records
    came = relived(lived(combine).records, Revision(thermometers={"air": shift}))
    for each in came:
        made, was = wanted[each.sequence - 1], each.record
        assert (_compared(was), was.verdict) == (_compared(made), made.verdict)
        assert each.thermometers == ({"air"} if was.kind is not Kind.CHECK else frozenset())


def test_thermometers_are_named_where_that_is_asked_for() -> None:
    """Without a correction of one too; and not where nobody asks."""
    hand = lived(Combine.EACH)
    asked = Asked(What.THERMOMETER, "air")
    readings = [at for at, record in enumerate(hand.records, 1) if record.kind is Kind.READING]
    assert [
        row.base for row in trace(Trail(hand.records), asked, Revision(), len(hand.records)).rows
    ] == readings
    assert {each.thermometers for each in relived(hand.records, Revision())} == {frozenset()}


def test_nothing_chosen_is_nothing_made() -> None:
    """Without readings and gauges nothing is made again; with gauges alone their checks are, up to where is asked."""
    hand = lived(Combine.EACH)
    trail = Trail(hand.records)
    assert list(relive(trail, Chosen({}, {}, {}, through=len(hand.records)), Revision())) == []
    checks = [at for at, record in enumerate(hand.records, 1) if record.kind is Kind.CHECK]
    for through, wanted in (
        (len(hand.records), checks),
        (checks[1], checks[:2]),
        (checks[1] - 1, checks[:1]),
    ):
        chosen = Chosen({}, {}, {}, frozenset({"bore-1"}), through)
        assert [each.sequence for each in relive(trail, chosen, Revision())] == wanted


def test_checks_are_made_where_they_are_wanted() -> None:
    """By what their errors come to: of checks that are not wanted nothing is told."""
    hand = lived(Combine.EACH)
    chosen = Chosen({}, {}, {}, frozenset({"bore-1"}), len(hand.records))
    trail = Trail(hand.records)
    assert list(relive(trail, chosen, Revision(), checks=lambda check: check.limit_mm is None)) == []
    failed = relive(trail, chosen, Revision(), checks=lambda check: check.code == "failed")
    assert [each.record.code for each in failed] == ["failed"]


def test_a_reading_whose_mastering_is_missing_is_not_made_again() -> None:
    """What a reading rests on may be damaged: it is counted as lost, and the others come out."""
    hand = lived(Combine.EACH)
    masterings = [at for at, record in enumerate(hand.records) if record.kind is Kind.MASTERING]
    second = masterings[-1] + 1
    lost = [
        at
        for at, record in enumerate(hand.records, 1)
        if record.kind is Kind.READING and record.mastering == second
    ]
    assert lost
    damaged: list[Record] = list(hand.records)
    damaged[second - 1] = replace(damaged[second - 1], kind=Kind.CONDITION)
    asked = Asked(What.GAUGE, "bore-1")
    made = trace(Trail(damaged), asked, Revision(), len(damaged))
    assert made.lost == len(lost)
    assert not {row.base for row in made.rows} & {*lost}


class Later(Trail):
    """A journal whose first records are archived."""

    def __init__(self, records: list[Record], archived: int) -> None:
        super().__init__(records)
        self.archived, self.state = archived, State()
        for record in records[:archived]:
            self.state = apply(self.state, record)

    def beginning(self) -> State:
        """Return the bench as the archived records left it."""
        return self.state

    def of_kinds(
        self, kinds: Collection[Kind], gauges: Collection[str] | None, after: int, through: int
    ) -> Iterator[Entry]:
        """Yield what is not archived."""
        yield from super().of_kinds(kinds, gauges, max(after, self.archived), through)


def test_a_day_whose_morning_is_archived() -> None:
    """What was mastered since comes out as lived; what was mastered before does where nothing is corrected."""
    hand = lived(Combine.EACH)
    second = [at for at, record in enumerate(hand.records, 1) if record.kind is Kind.MASTERING_BEGUN][-1]
    trail, asked = Later(hand.records, second - 4), Asked(What.GAUGE, "bore-1")
    chosen = dependants(trail, asked, len(hand.records)).chosen
    came = list(relive(trail, chosen, Revision()))
    assert [each.record for each in came] == [hand.records[each.sequence - 1] for each in came]
    readings = [each.sequence for each in came if each.record.kind is Kind.READING]
    assert readings == [*chosen.readings]
    assert readings[0] < second < readings[1]
    size = D("37.9962")
    wanted = lived(Combine.EACH, str(size)).records
    corrected = [
        each
        for each in relive(trail, chosen, Revision(masters={"ring-1": {"size": size}}))
        if each.record.kind is Kind.READING
    ]
    assert [each.sequence for each in corrected] == readings[1:]
    assert [each.record for each in corrected] == [wanted[at - 1] for at in readings[1:]]


def test_a_reading_before_any_mastering_is_made_again() -> None:
    """It has no value, whatever is corrected; once a morning is archived nobody knows what it rested on."""
    hand = Hand(station())
    hand.warm("22.5")
    hand.show("38.0101")
    reading = hand.records[-1]
    assert (reading.kind, reading.mastering) == (Kind.READING, None)
    assert [each.record for each in relived(hand.records, Revision())] == [reading]
    (warmer,) = relived(hand.records, Revision(thermometers={"air": D("0.5")}))
    assert warmer.record == reading
    later, asked = Later(hand.records, len(hand.records) - 1), Asked(What.GAUGE, "bore-1")
    chosen = dependants(later, asked, len(hand.records)).chosen
    assert list(relive(later, chosen, Revision(masters={"ring-1": {"size": D("37.9962")}}))) == []


def test_what_was_mastered_last_before_the_archive_ends_is_archived() -> None:
    """Where the mastering is the last record that was archived, no correction of its ring reaches what rests on it."""
    hand = lived(Combine.EACH)
    kinds = [record.kind for record in hand.records]
    later, asked = Later(hand.records, kinds.index(Kind.MASTERING) + 1), Asked(What.GAUGE, "bore-1")
    chosen = dependants(later, asked, len(kinds)).chosen
    second = [at for at, kind in enumerate(kinds, 1) if kind is Kind.MASTERING][1]
    came = relive(later, chosen, Revision(masters={"ring-1": {"size": D("37.9962")}}))
    assert min(each.sequence for each in came if each.record.kind is Kind.READING) > second


def test_without_its_set_up_nothing_is_made_again() -> None:
    """Where the record of the station file is damaged its gauges are not known: all that they measured is lost."""
    hand = lived(Combine.EACH)
    damaged = [
        replace(each, kind=Kind.CONDITION) if each.kind is Kind.SET_UP else each for each in hand.records
    ]
    readings = {at: each for at, each in enumerate(hand.records, 1) if each.kind is Kind.READING}
    assert list(relive(Trail(damaged), Chosen(readings, {}, {}, frozenset(), len(damaged)), Revision())) == []


def test_a_mastering_s_thermometer_is_its_readings_thermometer() -> None:
    """What was measured when its last temperature was too old still rests on it by the mastering."""
    hand = live(station(), [])
    hand.wait(AIR.max_age_ms + 1000)
    hand.show("38.0101")
    (reading,) = (
        each
        for each in relived(hand.records, Revision(thermometers={"air": D("0.5")}))
        if each.record.kind is Kind.READING
    )
    assert reading.record.part_temperature_c is None
    assert reading.thermometers == {"air"}


def test_a_reading_without_unit_or_characteristic_comes_out_as_it_was() -> None:
    """A frame may name no unit, and a gauge may measure what nobody selected."""
    made = station()
    (bore,) = made.characteristics.values()
    hand = live(replace(made, characteristics={each: replace(bore, name=each) for each in ("A", "B")}), [])
    for unit in (None, Unit.MM):
        hand.show("38.0101", unit=unit)
    readings = [each for each in hand.records if each.kind is Kind.READING]
    assert [each.characteristic for each in readings] == [None, None]
    assert readings[0].indication_unit is None
    came = [each.record for each in relived(hand.records, Revision()) if each.record.kind is Kind.READING]
    assert came == readings
    unmastered = Hand(hand.set_up)
    unmastered.show("38.0101")
    assert len(unmastered.records[-1].reasons or ()) == 2
    assert [each.record for each in relived(unmastered.records, Revision())] == [unmastered.records[-1]]


def test_readings_of_no_derivation_are_of_the_first() -> None:
    """Before there were several, none was named."""
    first, none = (
        [replace(each, derivation=said) for each in lived(Combine.EACH).records] for said in (1, None)
    )
    came, wanted = (
        [each.record for each in relived(records, Revision()) if each.record.kind is Kind.READING]
        for records in (none, first)
    )
    assert [replace(each, derivation=1) for each in came] == wanted
    second = [replace(each, derivation=2) for each in lived(Combine.EACH).records]
    assert [each.record for each in relived(second, Revision())] != [
        each.record for each in relived(first, Revision())
    ]


def test_a_row_tells_what_changes() -> None:
    """Of an amended reading what stands is the amendment, with its tags and the numbers made once more."""
    hand = live(station(), STEPS[:2])
    at = len(hand.records)
    hand.do(ev.Amend(at, hand.records[-1], {"piece": "7"}, "called out wrong", operator="M1"))
    made = trace(
        Trail(hand.records),
        Asked(What.MASTER, "ring-1"),
        Revision(masters={"ring-1": {"size": D("38.0022")}}),
        len(hand.records),
    )
    row = next(row for row in made.rows if row.base == at)
    assert (row.kind, row.stands.sequence, row.made.piece, row.made.kind) == (
        Kind.READING,
        at + 1,
        "7",
        Kind.AMENDMENT,
    )
    assert {"value_mm", "value", "deviation"} <= {*row.changes}
    assert "piece" not in row.changes
    assert row.revision.texts() == ("masters.ring-1.size = 38.0022 mm",)
