"""What sizes of one bore differ by, a range or a form, and how well that is known: against GTC, tables and trials."""

from __future__ import annotations

import itertools
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import GTC
import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy import stats

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.budgeting import expected_budget, of_result
from gaugepost.core.bench.budgeting.differing import TWO
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.bench.judging import judged
from gaugepost.core.conformity import Doubt
from gaugepost.core.conformity.rules import parse_rule
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Body, Combine, Contact, PlaceEntry, SetUp, ThermometerEntry
from gaugepost.core.uncertainty import Budget
from gaugepost.core.uncertainty.differing import RANK
from gaugepost.core.uncertainty.rank import of_ends, of_farthest, of_range
from gaugepost.edge.decoding import Decoders
from tests.core.station import BORE, Hand
from tests.core.test_uncertainty_gauging import LINKS, known

PLACES = ("a", "b", "c", "d")
REPEATS, STEP, MOST_ERROR = 0.0004, 0.001, 0.0006
FAR = ("38.018", "38.006", "38.010")


def of_range_(upper: str = "0.020", **more: Any) -> Any:
    of_one = {"lower_mm": None, "upper_mm": D(upper), "nominal_mm": None, "positions": PLACES[:3]}
    return replace(BORE, combine=Combine.RANGE, **(of_one | more))


def station(entry: Any, **more: Any) -> SetUp:
    """Everything is known, a maximum permissible error too."""
    made = known(characteristics={entry.name: entry}, links=LINKS, **more)
    gauges = {
        name: replace(each, maximum_error_mm=D(str(MOST_ERROR)), contact=Contact.TWO_POINT)
        for name, each in made.gauges.items()
    }
    return replace(made, gauges=gauges)


def measured(hand: Hand, *shown: str, kind: Kind = Kind.RESULT) -> Record:
    for digits in shown:
        hand.show(digits)
    return hand.last(kind)


def u(record: Record) -> float:
    assert record.standard_uncertainty_mm is not None, record.uncertainty_reasons
    return float(record.standard_uncertainty_mm)


def own() -> Any:
    """What is another error in each reading, for GTC."""
    rectangular = (STEP / 12**0.5, MOST_ERROR / 3**0.5)
    return GTC.ureal(0, REPEATS) + sum(GTC.ureal(0, each) for each in rectangular)


def test_a_range_owes_nothing_to_what_its_sizes_have_in_common() -> None:
    """GTC, with ring, mastering and temperatures in common to three sizes: what is left is each reading's own."""
    made = measured(Hand(station(of_range_())).ready(), *FAR)
    ring, mastering, warm = GTC.ureal(38.0012, 0.0004), GTC.ureal(0, 0.0003), GTC.ureal(20, 0.3)
    sizes = [ring * (1 + 11.5e-6 * (warm - 20)) + mastering + own() + far for far in (0.012, 0.0, 0.004)]
    assert u(made) == pytest.approx(GTC.uncertainty(sizes[0] - sizes[1]), rel=1e-4)
    assert made.value_mm == D("0.012")
    assert (made.verdict, made.decision, made.conformity) == ("in-limits", "accept", "conformity verified")


def test_repeats_at_a_place_are_averaged_in_a_range() -> None:
    """What repeats shrinks by √n at each place, resolution and the gauge's error do not."""
    made = measured(
        Hand(station(of_range_(readings=2, positions=PLACES[:2]))).ready(),
        "38.018", "38.018", "38.006", "38.006",
    )  # fmt: skip
    each = REPEATS**2 / 2 + STEP**2 / 12 + MOST_ERROR**2 / 3
    assert u(made) == pytest.approx((2 * each) ** 0.5, rel=1e-5)


def test_another_temperature_at_another_place_is_no_longer_common() -> None:
    """GTC differentiates both corrected sizes, one thermometer and one coefficient in both: same u of their range."""
    air = ThermometerEntry(
        name="air", link="usb-9", body=Body.AIR, spread_k=D("0.5"), uncertainty_k=D("0.2"),
        stands_in_for=(Body.PART, Body.GAUGE, Body.MASTER),
    )  # fmt: skip
    entry = of_range_(coefficient=D("40E-6"), coefficient_half_width=D("12E-6"), positions=PLACES[:2])
    hand = Hand(station(entry, thermometers={"air": air}, declared=()))
    hand.warm("20.00")
    hand.ready()
    hand.warm("20.10")
    hand.show("38.018")
    hand.warm("29.00")
    made = measured(hand, "38.010")
    third = 3**-0.5
    alpha, spread, shown = GTC.ureal(40e-6, 12e-6 * third), GTC.ureal(0, 0.5 * third), GTC.ureal(0, 0.1)
    steel, gauge = GTC.ureal(11.5e-6, 1e-6 * third), GTC.ureal(0, 0.5 * third)
    sizes = [
        (38.0012 + own()) * (1 + steel * (t + shown + gauge - 20)) / (1 + alpha * (t + shown + spread - 20))
        for t in (20.1, 29.0)
    ]
    assert u(made) == pytest.approx(GTC.uncertainty(sizes[1] - sizes[0]), rel=2e-3)


def test_under_another_mastering_the_ring_alone_still_cancels() -> None:
    """Of two sizes mastered anew between, the ring is common; readings at mastering and its resolution are not."""
    entry = of_range_(positions=PLACES[:2])
    hand = Hand(station(entry)).ready()
    hand.show("38.018")
    hand.ready()
    made = measured(hand, "38.006")
    alone = measured(Hand(station(entry)).ready(), "38.018", "38.006")
    assert hand.set_up.gauges["bore-1"].mastering_readings == 2
    at_mastering = REPEATS**2 / 2 + STEP**2 / 12
    warm = 3 * (38.0012 * 11.5e-6 * 0.5) ** 2 / 3  # master, gauge now and then, each ±0.5 K
    second_order = 38.0012 * (1e-6 / 3**0.5) * (0.5 / 3**0.5)
    more = 2 * (at_mastering + warm + 2 * second_order**2)
    assert u(made) ** 2 - u(alone) ** 2 == pytest.approx(more, rel=0.02)


@pytest.mark.parametrize(
    ("sizes", "mean", "deviation"),
    [(2, 1.128, 0.853), (3, 1.693, 0.888), (4, 2.059, 0.880), (5, 2.326, 0.864), (10, 3.078, 0.797)],
)
def test_the_range_of_equal_sizes(sizes: int, mean: float, deviation: float) -> None:
    """Factors d2 and d3 of control charts (ASTM E2587, Table 2, from memory): mean and deviation of a range."""
    assert of_range(sizes) ** 2 == pytest.approx(mean**2 + deviation**2, abs=4e-3)


def test_shares_agree_with_independent_integration_and_with_each_other() -> None:
    """Two values differ by √2; one alone is farthest from 0 by its own; several ranges grow by their largest."""
    assert of_range(2) == of_ends(1, 1) == TWO == pytest.approx(2**0.5, abs=5e-6)
    assert (of_range(1), of_farthest(1)) == (0.0, 1.0)
    dice = np.random.default_rng(20261126)
    ranges = np.ptp(dice.standard_normal((200_000, 3, 3)), axis=-1)
    assert of_range(3, 3) == pytest.approx(float(np.sqrt((ranges.max(-1) ** 2).mean())), rel=5e-3)
    studentized = stats.studentized_range(3, np.inf)
    square = studentized.expect(lambda w: w * w)
    assert of_range(3) == pytest.approx(square**0.5, rel=1e-4)
    farthest = np.abs(dice.standard_normal((200_000, 4))).max(-1)
    assert of_farthest(4) == pytest.approx(float(np.sqrt((farthest**2).mean())), rel=5e-3)


@pytest.mark.parametrize("sizes", [2, 3, 4])
def test_no_range_is_less_certain_than_stated(sizes: int) -> None:
    """Over bores of equal, near and far places a range is off by no more than stated, at equal ones by all of it."""
    errors = np.random.default_rng(20261126).standard_normal((20_000, sizes))
    worst = 0.0
    for gaps in itertools.product((0.0, 0.7, 2.0, 20.0), repeat=sizes - 1):
        bore = np.concatenate([[0.0], np.cumsum(gaps)])
        off = np.ptp(bore + errors, axis=-1) - np.ptp(bore)
        worst = max(worst, float(np.sqrt((off**2).mean())))
    assert of_range(sizes) * 0.98 <= worst <= of_range(sizes) * 1.02


def test_where_near_sizes_could_change_places_it_counts_and_is_named() -> None:
    """Beside √2 of what is each reading's own: nothing for far sizes, the whole of it for equal ones."""
    each = (REPEATS**2 + STEP**2 / 12 + MOST_ERROR**2 / 3) ** 0.5
    for shown, share in (
        (FAR, 2**0.5),
        (("38.010", "38.010", "38.010"), of_range(3)),
        (("38.030", "38.029", "38.010"), of_ends(2, 1)),
    ):
        made = measured(Hand(station(of_range_())).ready(), *shown)
        assert u(made) == pytest.approx(share * each, rel=1e-5)
    entry = of_range_()
    expected = of_result(expected_budget(station(entry), "bore-1", entry, ("ring-1",)), entry)
    assert isinstance(expected, Budget)
    assert expected.standard_mm == pytest.approx(of_range(3) * each, rel=1e-5)
    assert RANK in {component.quantity for component in expected.components}


def test_a_range_near_0_is_judged_with_both_signs_in_play() -> None:
    """P(|d| ≤ limit) of the normal difference d (folded, by scipy), and acceptance that allows for it on one side."""
    entry = of_range_("0.003", rule=parse_rule("guarded acceptance by conformance probability 95 %"))
    made = measured(Hand(station(entry)).ready(), "38.011", "38.010", "38.010")
    folded = stats.foldnorm(0.001 / u(made), scale=u(made)).cdf(0.003)
    assert float(made.probability or 0) == pytest.approx(folded, rel=1e-5)
    assert (made.lower, made.lower_acceptance) == (None, None)
    assert made.upper_acceptance is not None
    limit = float(made.upper_acceptance)
    assert stats.foldnorm(limit / u(made), scale=u(made)).cdf(0.003) == pytest.approx(0.95, abs=1e-5)
    assert (made.decision, made.remedy) == ("accept", None)
    assert made.reasons is not None
    assert made.reasons[-1].startswith("within its own uncertainty: sizes that are equal")
    far = measured(Hand(station(entry)).ready(), "38.013", "38.010", "38.010")
    assert (far.verdict, far.decision) == ("in-limits", "undecided")
    assert far.reasons == ("in the guard band at the upper limit",)


@pytest.mark.parametrize("rule", ["simple acceptance", "guarded acceptance by factor 1.65"])
def test_inch_and_metric_twins_agree_on_a_range(rule: str) -> None:
    """The same drawing in inches: verdict, decision, conformity and probability are the same, bit for bit."""
    for last in ("38.011", "38.012", "38.016"):
        entry = of_range_("0.00254", rule=parse_rule(rule))
        twins = [
            measured(Hand(station(replace(entry, unit=unit, step=step))).ready(), "38.010", "38.011", last)
            for unit, step in ((Unit.MM, D("0.00001")), (Unit.INCH, D("0.0001")))
        ]
        told = [(m.verdict, m.decision, m.conformity, m.probability, m.uncertainty_mm) for m in twins]
        assert told[0] == told[1]
        assert twins[1].upper == D("0.0001")


@given(value=st.decimals(0, 30, places=1), limit=st.decimals("0.1", 20, places=1), u=st.floats(0.1, 9))
@settings(max_examples=150, deadline=None)
def test_more_uncertainty_never_proves_more_of_a_range(value: D, limit: D, u: float) -> None:
    """What a worse known range proves, a better known one proves too."""
    for rule in ("factor 1.65", "conformance probability 95 %"):
        entry = of_range_(str(limit / 1000), rule=parse_rule(f"guarded acceptance by {rule}"))

        def proved(times: float, entry: Any = entry) -> Any:
            doubt = Doubt(u * times / 1000)
            return judged(entry, value / 1000, (), is_member=False, doubt=doubt)["conformity"]

        if proved(2.0) != "neither":
            assert proved(1.0) == proved(2.0)


def _form(shown: tuple[str, ...], depths: tuple[str, ...], angles: tuple[str, ...]) -> tuple[Hand, Record]:
    places = {
        f"{depth}-{angle}": PlaceEntry(angle_deg=D(angle), depth_mm=D(depth))
        for depth in depths
        for angle in angles
    }
    hand = Hand(station(replace(BORE, positions=tuple(places), places=places))).ready()
    return hand, measured(hand, *shown, kind=Kind.FORM)


def test_the_figures_of_a_form_are_as_certain_as_gtc_says() -> None:
    """Taper, barrel and bell-mouth are linear in their places' sizes, and what is common to all cancels (GTC)."""
    _, form = _form(
        ("38.020", "38.008", "38.016", "38.010", "38.014", "38.010", "38.019", "38.005"),
        ("2", "10", "20", "24"),
        ("0", "90"),
    )
    ring = GTC.ureal(38.0012, 0.0004)
    depths = [2.0, 10.0, 20.0, 24.0]
    line = [sum((ring + own() for _ in range(2)), 0.0) / 2 for _ in depths]

    def on(one: int, other: int, at: int) -> Any:
        return line[one] + (line[other] - line[one]) * (depths[at] - depths[one]) / (
            depths[other] - depths[one]
        )

    bell = line[0] - on(1, 2, 0)
    assert form.coverage_factor == 2
    assert float(form.taper_uncertainty_mm or 0) == pytest.approx(
        2 * GTC.uncertainty(line[3] - line[0]), rel=1e-5
    )
    assert float(form.bell_mouth_uncertainty_mm or 0) == pytest.approx(2 * GTC.uncertainty(bell), rel=1e-5)
    # Of the two depths between the ends 20 mm departs more; that it does may be what repeats.
    barrel = GTC.uncertainty(line[2] - on(0, 3, 2)) * of_farthest(2)
    assert float(form.barrel_uncertainty_mm or 0) == pytest.approx(2 * barrel, rel=1e-5)
    each = (REPEATS**2 + STEP**2 / 12 + MOST_ERROR**2 / 3) ** 0.5
    assert float(form.ovality_uncertainty_mm or 0) == pytest.approx(2 * each * of_range(2, 2), rel=1e-5)
    assert (form.uncertainty_reasons, form.reasons) == (None, None)
    _, near = _form(("38.012", "38.011", "38.015", "38.014"), ("2", "20"), ("0", "90"))
    assert near.reasons == ("ovality within its own uncertainty: sizes that are equal can show as much",)


def test_a_forms_uncertainty_is_derived_again() -> None:
    """`verify` makes it anew, and finds one that was changed."""
    hand, form = _form(("38.020", "38.012"), ("2", "20"), ("0",))
    assert form.taper_uncertainty_mm is not None
    entries = [Entry(at, b"", each) for at, each in enumerate(hand.records, 1)]
    assert not [each for each in differences(entries, Decoders()) if isinstance(each, Difference)]
    forged = Entry(len(entries), b"", replace(form, taper_uncertainty_mm=D("0.0001")))
    found = [
        each for each in differences([*entries[:-1], forged], Decoders()) if isinstance(each, Difference)
    ]
    assert [each.fields for each in found] == [("taper_uncertainty_mm",)]


def test_places_step_on_without_a_piece() -> None:
    """Nobody named a piece: each place is measured once all the same, and then they begin anew."""
    hand, _ = _form(("38.020", "38.012"), ("2", "20"), ("0",))
    hand.show("38.021")
    hand.show("38.013")
    readings = [record.position for record in hand.records if record.kind is Kind.READING]
    assert readings == ["2-0", "20-0", "2-0", "20-0"]
    assert sum(record.kind is Kind.FORM for record in hand.records) == 2
    hand.do(ev.SetTags({"piece": "1"}))
    assert hand.show("38.021").position == "2-0"
