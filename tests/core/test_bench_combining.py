"""Several readings of one characteristic: the size that they make, and the uncertainty that is its own."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.budgeting import expected_budget, of_result
from gaugepost.core.bench.combining import combined, judged_of
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.conformity.rules import parse_rule
from gaugepost.core.record import DERIVATION, Entry, Kind, Record
from gaugepost.core.setup import Body, Combine, GaugeEntry, PlaceEntry, ThermometerEntry
from gaugepost.core.uncertainty import Budget
from gaugepost.edge.decoding import Decoders
from tests.core.station import BORE, Hand
from tests.core.test_uncertainty_gauging import KNOWN_RING, LINKS, TWENTY, known

PLACES = ("a", "b", "c", "d")


def bench(combine: Combine, places: int = 3, readings: int = 1, **more: object) -> Hand:
    """A gauge of which everything is known, mastered and checked, and several readings to be combined."""
    entry = replace(BORE, combine=combine, positions=PLACES[:places], readings=readings, **more)  # type: ignore[arg-type]
    return Hand(known(characteristics={"A": entry}, links=LINKS)).ready()


def result(hand: Hand, *shown: str) -> Record:
    for digits in shown:
        hand.show(digits)
    return hand.last(Kind.RESULT)


@pytest.mark.parametrize(
    ("combine", "odd", "even"),
    [
        (Combine.LARGEST, "38.015", "38.015"),
        (Combine.SMALLEST, "38.003", "38.003"),
        (Combine.MEAN, "38.008", "38.00775"),
        (Combine.MEDIAN, "38.006", "38.0065"),
        (Combine.MID_RANGE, "38.009", "38.009"),
        (Combine.RANGE, "0.012", "0.012"),
    ],
)
def test_sizes_are_combined_as_the_standard_defines_them(combine: Combine, odd: str, even: str) -> None:
    """Average, maximum, minimum, median, mid-range and range of sizes (ISO 14405-1:2016, clause 3, from memory)."""
    three = (D("38.015"), D("38.003"), D("38.006"))
    assert combined(three, combine) == D(odd)
    assert combined((*three, D("38.007")), combine) == D(even)
    assert combined(three[::-1], combine) == D(odd)
    assert combined(three[:1], combine) == (0 if combine is Combine.RANGE else three[0])


@pytest.mark.parametrize("combine", [each for each in Combine if each is not Combine.EACH])
def test_results_are_made_of_what_was_measured_and_made_again(combine: Combine) -> None:
    """The result names its readings and how it was made; `verify` makes it again, and finds one that was changed."""
    of_range = {"lower_mm": None, "upper_mm": D("0.020"), "nominal_mm": None}
    hand = bench(combine, 3, 1, **(of_range if combine is Combine.RANGE else {}))
    made = result(hand, "38.018", "38.006", "38.009")
    assert made.value_mm == combined((D("38.0152"), D("38.0032"), D("38.0062")), combine)
    assert (made.verdict, made.text) == ("in-limits", f"{combine} of 3")
    assert made.members == tuple(range(len(hand.records) - 3, len(hand.records)))
    reading = hand.records[-2]
    assert (made.master, made.mastering, made.derivation) == ("ring-1", reading.mastering, DERIVATION)
    assert made.mastering is not None
    entries = [Entry(at, b"", each) for at, each in enumerate(hand.records, 1)]
    assert not [each for each in differences(entries, Decoders()) if isinstance(each, Difference)]
    forged = replace(made, uncertainty_mm=D("0.0001"), uncertainty_reasons=None)
    came = differences([*entries[:-1], Entry(len(entries), b"", forged)], Decoders())
    assert [each.sequence for each in came if isinstance(each, Difference)] == [len(entries)]


def test_repeats_at_a_place_are_averaged_before_places_are_ranked() -> None:
    """The largest of places is that of their means, not of any reading; it says so."""
    hand = bench(Combine.LARGEST, 2, 2)
    made = result(hand, "38.010", "38.020", "38.014", "38.018")
    assert (made.value_mm, made.text) == (D("38.0132"), "largest of 2, each the mean of 2")
    assert judged_of(hand.set_up.characteristics["A"]) == made.text
    assert made.members is not None
    assert len(made.members) == 4


@pytest.mark.parametrize(
    ("combine", "places", "share"),
    [
        (Combine.MEAN, 4, 0.5),
        (Combine.LARGEST, 3, 1.12945),
        (Combine.SMALLEST, 4, 1.24552),
        (Combine.MEDIAN, 3, 1.0),
        (Combine.MID_RANGE, 2, 0.5**0.5),
    ],
)
def test_a_result_has_a_budget_of_its_own(combine: Combine, places: int, share: float) -> None:
    """Beside a reading's, only what repeats differs: by √n in a mean, by the rank's share in a rank-order size."""
    hand = bench(combine, places)
    reading = hand.show("38.010")
    made = result(hand, *("38.012", "38.011", "38.013")[: places - 1])
    assert reading.standard_uncertainty_mm is not None
    assert made.standard_uncertainty_mm is not None
    repeats = 0.0004  # declared, standard deviation of one reading
    rest = float(reading.standard_uncertainty_mm) ** 2 - repeats**2
    assert float(made.standard_uncertainty_mm) ** 2 == pytest.approx(rest + (share * repeats) ** 2, rel=1e-4)
    expected = of_result(
        expected_budget(hand.set_up, "bore-1", hand.set_up.characteristics["A"], ("ring-1",)),
        hand.set_up.characteristics["A"],
    )
    assert isinstance(expected, Budget)
    notes = [each for each in expected.assumed if "what repeats counts" in each]
    assert bool(notes) == (share > 1)


def test_it_does_not_matter_which_reading_came_last() -> None:
    """Readings at other temperatures make one result: it is as uncertain as the worst of them, whatever their order."""
    air = ThermometerEntry(
        name="air", link="usb-9", body=Body.AIR, spread_k=D("0.5"), uncertainty_k=D("0.2"),
        stands_in_for=(Body.PART, Body.GAUGE, Body.MASTER),
    )  # fmt: skip
    brass = replace(BORE, combine=Combine.LARGEST, positions=PLACES[:2], coefficient=D("20.5E-6"))

    def measured(*celsius: str) -> list[Record]:
        hand = Hand(known(characteristics={"A": brass}, thermometers={"air": air}, declared=()))
        hand.warm("20.00")
        hand.ready()
        readings = []
        for each in celsius:
            hand.warm(each)
            readings.append(hand.show("38.010"))
        return [*readings, hand.last(Kind.RESULT)]

    cold, warm, first = measured("20.10", "29.00")
    *_, second = measured("29.00", "20.10")
    assert cold.standard_uncertainty_mm is not None
    assert warm.standard_uncertainty_mm is not None
    assert cold.standard_uncertainty_mm < warm.standard_uncertainty_mm
    assert first.standard_uncertainty_mm == second.standard_uncertainty_mm
    assert (
        first.standard_uncertainty_mm == warm.standard_uncertainty_mm
    )  # the largest of two: 1.0 of what repeats


def test_readings_with_two_gauges_make_one_result() -> None:
    """The less certain gauge rules, whichever of them came last; one without an uncertainty leaves none."""
    station = known(links=LINKS)
    coarse = replace(station.gauges["bore-1"], name="bore-2", channel="2", repeatability_mm=D("0.0010"))
    entry = replace(BORE, combine=Combine.LARGEST, positions=PLACES[:2], gauges=("bore-1", "bore-2"))

    def measured(other: GaugeEntry, *order: str) -> Record:
        hand = Hand(
            replace(station, gauges={**station.gauges, "bore-2": other}, characteristics={"A": entry})
        )
        for gauge in ("bore-1", "bore-2"):
            hand.do(ev.BeginMastering(gauge, ("ring-1",), ("R-1",), readings=1))
            hand.show("38.004", gauge=gauge)
            hand.do(ev.BeginCheck(gauge, "ring-1", "R-1", readings=1))
            hand.show("38.004", gauge=gauge)
        for gauge in order:
            hand.show("38.010", gauge=gauge)
        return hand.last(Kind.RESULT)

    one, other = measured(coarse, "bore-1", "bore-2"), measured(coarse, "bore-2", "bore-1")
    assert one.standard_uncertainty_mm == other.standard_uncertainty_mm
    silent = replace(coarse, repeatability_mm=None)
    for order in (("bore-1", "bore-2"), ("bore-2", "bore-1")):
        made = measured(silent, *order)
        assert made.uncertainty_mm is None
        assert made.uncertainty_reasons is not None
        assert "how bore-2 repeats" in made.uncertainty_reasons[0]


def test_a_range_of_sizes_is_no_size() -> None:
    """It has an upper limit and an uncertainty of its own; its readings are held against nothing, no metal mends it."""
    hand = bench(Combine.RANGE, lower_mm=None, upper_mm=D("0.004"), nominal_mm=None)
    reading = hand.show("38.010")
    assert (reading.value, reading.lower, reading.upper, reading.deviation) == (
        D("38.0072"),
        None,
        None,
        None,
    )
    assert reading.uncertainty_mm is not None
    made = result(hand, "38.012", "38.015")
    assert (made.value_mm, made.verdict, made.decision, made.remedy) == (
        D("0.005"),
        "oversize",
        "reject",
        None,
    )
    assert made.uncertainty_mm is not None
    assert made.uncertainty_mm < reading.uncertainty_mm  # the ring, the mastering and the temperatures cancel
    guarded = bench(
        Combine.RANGE, lower_mm=None, upper_mm=D("0.004"), nominal_mm=None,
        rule=parse_rule("guarded acceptance by factor"),
    )  # fmt: skip
    assert result(guarded, "38.012", "38.013", "38.012").decision == "accept"
    assert result(guarded, "38.012", "38.016", "38.012").decision == "undecided"


def test_a_reading_in_doubt_has_no_part_in_a_range() -> None:
    """A reading with a reason against it is not judged, stands apart, and the range is made of those after it."""
    hand = bench(Combine.RANGE, lower_mm=None, upper_mm=D("0.010"), nominal_mm=None)
    hand.do(ev.Report("bore-1", "knock"))
    doubtful = hand.show("38.020")
    assert (doubtful.verdict, doubtful.reasons) == ("not-judged", ("the gauge was knocked or dropped",))
    hand.check("38.004")
    assert result(hand, "38.010", "38.011", "38.012").value_mm == D("0.002")


def test_a_form_beside_a_result_leaves_the_next_piece_alone() -> None:
    """Result and form end one round together: the next reading begins another."""
    places = {"a": PlaceEntry(depth_mm=D(2)), "b": PlaceEntry(depth_mm=D(20))}
    entry = replace(BORE, combine=Combine.MEAN, positions=("a", "b"), places=places)
    hand = Hand(known(characteristics={"A": entry})).ready()
    for shown in ("38.010", "38.012", "38.014", "38.016"):
        hand.show(shown)
    made = [record.value_mm for record in hand.records if record.kind is Kind.RESULT]
    assert made == [D("38.0082"), D("38.0122")]
    assert [r.taper_mm for r in hand.records if r.kind is Kind.FORM] == [D("0.002"), D("0.002")]


def test_nothing_is_known_without_a_ring() -> None:
    """What a ring's certificate does not say is missing in a result too."""
    entry = replace(BORE, combine=Combine.MEAN, readings=2)
    bare = replace(KNOWN_RING, uncertainty_mm=None, coverage_factor=None)
    hand = Hand(known(characteristics={"A": entry}, masters={"ring-1": bare}, declared=TWENTY)).ready()
    made = result(hand, "38.010", "38.011")
    assert made.uncertainty_mm is None
    assert made.uncertainty_reasons is not None
    assert "size of ring-1" in made.uncertainty_reasons[0]
