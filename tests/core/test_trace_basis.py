"""What numbers are made of, part by part; what stands of a record; and what is judged again though its numbers stay."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.state import Mastered, Scatter, Sourced
from gaugepost.core.bench.tracing.basis import Basis, corrected
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.records import Replacements
from gaugepost.core.bench.tracing.rejudging import to_rejudge
from gaugepost.core.bench.tracing.replaced import Replaced
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import Trace, trace
from gaugepost.core.mastering import Line
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Combine, Display, Requirement
from tests.core.station import BORE, GAUGE, RING, Hand, set_up
from tests.core.test_trace_reliving import live, station
from tests.core.trail import Trail

WARM = Sourced(D(30), "measured")
MASTERED = Mastered(
    sequence=7,
    masters=("ring-1",),
    cold=Line((D("38.0042"),), (D("38.0012"),), 1),
    warm=Line((D("38.0042"),), (D("38.0012"),), 1),
    gauge_c=D(30),
    master=WARM,
    unit=Unit.MM,
    resolution=D("0.0001"),
    readings=2,
    gauge_source="measured",
)
ALUMINIUM = replace(BORE, coefficient=D("23.5E-6"))


def basis(entry: dict[str, Any] | None = None, gauge: dict[str, Any] | None = None, **other: Any) -> Basis:
    """Return an aluminium bore at 30 °C under a steel gauge that was mastered at 30 °C, with what is given changed."""
    bore = replace(ALUMINIUM, **(entry or {}))
    whole = Basis(
        set_up=set_up(gauge, characteristics={"A": bore}),
        gauge=GAUGE.name,
        characteristic=bore,
        mastered=MASTERED,
        scatter=Scatter(),
        part=WARM,
        gauge_at=WARM,
        shown=D("38.0142"),
        unit=Unit.MM,
        utc_ms=0,
        derivation=4,
    )
    return replace(whole, **other)


def test_a_part_is_corrected_to_20_degrees() -> None:
    """Aluminium grows by 23.5 ppm a kelvin and the steel gauge by 11.5: of 38 mm at 30 °C that is 4.56 µm (ISO 1)."""
    made = corrected(basis())
    assert made.is_corrected
    assert made.value_mm is not None
    by_hand = 38.0112 * (1 + 11.5e-6 * 10) / (1 + 23.5e-6 * 10)
    assert float(made.value_mm) == pytest.approx(by_hand, abs=1e-9)
    assert made.fields["master_correction_mm"] == D("-0.0030")
    assert made.fields["thermal_correction_mm"] == pytest.approx(D("-0.00456"), abs=D("0.00001"))
    assert (made.fields["part_temperature_c"], made.fields["master_temperature_source"]) == (
        D(30),
        "measured",
    )


@pytest.mark.parametrize(
    "missing",
    [
        {"part": None},
        {"gauge_at": None},
        {"gauge": {"coefficient": None}},
        {"entry": {"coefficient": None}},
        {"characteristic": None},
        {"mastered": replace(MASTERED, gauge_c=None)},
        {"mastered": replace(MASTERED, warm=None)},
    ],
)
def test_what_is_not_known_corrects_nothing(missing: dict[str, Any]) -> None:
    """Without either temperature, either coefficient, or a mastering at a known temperature the ring alone corrects."""
    made = corrected(basis(**missing))
    assert (made.value_mm, made.is_corrected) == (D("38.0112"), False)
    assert made.fields["thermal_correction_mm"] is None


@pytest.mark.parametrize(("derivation", "named"), [(2, None), (3, ("envelope",))])
def test_a_reading_is_judged_by_the_rules_of_its_time(derivation: int, named: tuple[str, ...] | None) -> None:
    """What stands beside a verdict since derivation 3 does not come to stand beside an earlier one."""
    asked = basis({"not_judged": (Requirement.ENVELOPE,)}, derivation=derivation)
    assert corrected(asked).judged(asked, ()).get("requirements_not_judged") == named


def test_an_uncertainty_is_asked_for_since_derivation_2() -> None:
    """Before it there was none, whatever the station file knows; without a characteristic there is none either."""
    assert corrected(basis(derivation=2)).budget is not None
    assert corrected(basis(derivation=1)).budget is None
    assert corrected(basis(characteristic=None)).budget is None


def entries(*replacing: tuple[int, int | None, Kind]) -> Replacements:
    return Replacements(
        Entry(at, b"", Record(kind=kind, measured_at=0, clock_ms=0, replaces=before))
        for at, before, kind in replacing
    )


def original(sequence: int) -> Entry:
    return Entry(sequence, b"", Record(kind=Kind.READING, measured_at=0, clock_ms=0))


def test_what_stands_of_a_record() -> None:
    """An amendment of an amendment stands for the reading; what stood before each is told; a void ends it."""
    became = entries((5, 3, Kind.AMENDMENT), (8, 5, Kind.REJUDGED), (9, 4, Kind.VOID))
    assert (became.base(8), became.base(5), became.base(4)) == (3, 3, 4)
    assert [became.before(3, at) for at in (5, 6, 8, 9)] == [3, 5, 5, 8]
    standing = became.standing(original(3))
    assert standing is not None
    assert standing.sequence == 8
    assert became.standing(original(4)) is None


def test_records_that_replace_nothing_before_them_are_passed_over() -> None:
    """A damaged journal may name itself or what is to come: nothing stands for that, and nothing goes in circles."""
    became = entries((5, 5, Kind.AMENDMENT), (6, 7, Kind.AMENDMENT), (8, None, Kind.AMENDMENT))
    for at in (5, 6, 7, 8):
        assert (became.base(at), became.before(at, 99)) == (at, at)
        assert became.standing(original(at)) is not None


NEAR = replace(RING, name="ring-2", serial="R-2", size_mm=D("38.0006"))
BOTH = Revision(masters={"ring-2": {"size": D("38.0004")}})


def largest() -> Hand:
    """A piece whose largest size of two was measured under ring-1 and whose smaller one under ring-2."""
    hand = Hand(set_up({"debounce_ms": 0}, {"combine": Combine.LARGEST, "positions": ("top", "mid")},
                       masters={"ring-1": RING, "ring-2": NEAR}, lot_checks=False)).ready()  # fmt: skip
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.020")
    hand.master("38.004", "38.004", ring="ring-2")
    hand.check("38.004", "ring-2")
    hand.show("38.010")
    return hand


def traced(hand: Hand, revision: Revision, asked: Asked) -> Trace:
    return trace(Trail(hand.records), asked, revision, len(hand.records))


def kinds(hand: Hand, revision: Revision) -> Sequence[tuple[Kind, int]]:
    """Return what is to be judged again, by kind and sequence, of all that the gauge measured."""
    return [
        (again.kind, again.sequence)
        for again in to_rejudge(traced(hand, revision, Asked(What.GAUGE, "bore-1")))
    ]


def test_a_result_is_renewed_though_its_numbers_stay() -> None:
    """The smaller of two sizes comes out otherwise and the largest does not: the result names the new record."""
    hand = largest()
    result = hand.records.index(hand.last(Kind.RESULT)) + 1
    first, second = hand.records[result - 1].members or ()
    assert kinds(hand, Revision()) == []
    assert kinds(hand, BOTH) == [(Kind.READING, second), (Kind.RESULT, result)]
    again = tuple(to_rejudge(traced(hand, BOTH, Asked(What.GAUGE, "bore-1"))))
    made = hand.do(ev.Rejudge(again, "calibrated anew", "Q1")).records
    assert [record.members for record in made if record.code == "result"] == [
        (first, hand.state.sequence - 1)
    ]
    assert made[-1].value_mm == hand.records[result - 1].value_mm
    assert kinds(hand, BOTH) == []
    assert kinds(hand, Revision()) == []


def test_a_result_whose_member_was_replaced_meanwhile_is_renewed() -> None:
    """Judged again alone, a member leaves a result that names what it replaced: the next time that is made good."""
    hand = largest()
    result = hand.records.index(hand.last(Kind.RESULT)) + 1
    again = tuple(to_rejudge(traced(hand, BOTH, Asked(What.GAUGE, "bore-1"))))
    hand.do(ev.Rejudge(again[:1], "calibrated anew", "Q1"))
    assert kinds(hand, BOTH) == [(Kind.RESULT, result)]


def test_what_a_member_was_corrected_by_goes_into_its_result() -> None:
    """A member alone was judged again under its ring's right size: traced anew, the result is made of that, too."""
    hand = largest()
    result = hand.records.index(hand.last(Kind.RESULT)) + 1
    first, second = hand.records[result - 1].members or ()
    larger = Revision(masters={"ring-1": {"size": D("38.0032")}})
    again = [*to_rejudge(traced(hand, larger, Asked(What.GAUGE, "bore-1")))]
    alone = tuple(each for each in again if each.sequence == first)
    hand.do(ev.Rejudge(alone, "calibrated anew", "Q1"))
    rows = {row.base: row for row in traced(hand, Revision(), Asked(What.GAUGE, "bore-1")).rows}
    assert [*rows] == [first, second, result]
    assert (rows[first].changes, rows[second].changes) == ((), ())
    assert rows[first].revision == rows[result].revision == larger
    assert rows[second].revision == Revision()
    made, stands = rows[result].made, rows[result].stands.record
    assert made.value_mm == rows[first].stands.record.value_mm
    assert made.value_mm is not None and stands.value_mm is not None
    assert made.value_mm - stands.value_mm == pytest.approx(D("0.002"), abs=D("0.0000001"))
    assert "value_mm" in rows[result].changes


def test_a_reading_has_its_uncertainty_and_what_follows() -> None:
    """With a certificate and a repeatability both are on record; of a gauge that measures nothing named neither is."""
    hand = live(station(repeatability_mm=D("0.0004")), [("show", "38.0112")])
    reading = hand.last(Kind.READING)
    assert reading.uncertainty_mm is not None
    assert (reading.verdict, reading.conformity) == ("in-limits", "conformity verified")
    nothing = basis(characteristic=None)
    assert corrected(nothing).judged(nothing, ())["verdict"] == "not-judged"


@pytest.mark.parametrize(
    ("display", "value"), [(Display.ABSOLUTE, D("38.0142")), (Display.FROM_MASTER, None)]
)
def test_an_unmastered_gauge_shows_a_size_or_none(display: Display, value: D | None) -> None:
    """An absolute display is a size before it is mastered; what is shown from a master is none without one."""
    made = corrected(basis(gauge={"display": display}, mastered=None))
    assert (made.value_mm, made.is_corrected, made.budget) == (value, False, None)


@pytest.mark.parametrize(
    ("first", "last", "found"),
    [
        (1023, 2048, [9000, 9001, 9002]),
        (1024, 1024, [9001]),
        (1025, 2047, []),
        (2049, 2049, [9999]),
        (2049, 5000, [9999]),
        (1, 1022, []),
    ],
)
def test_what_stands_for_a_range_is_found_to_its_ends(first: int, last: int, found: list[int]) -> None:
    """On whichever pages they lie, and by what replaced them last."""
    replaced = Replaced()
    for sequence, by in ((1023, 9000), (1024, 9001), (2048, 9002), (2049, 9003), (9003, 9999)):
        replaced = replaced.and_(sequence, by)
    assert list(replaced.of_range(first, last)) == found
