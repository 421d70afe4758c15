"""The budget of a gauge's length: sensitivities against differences of the correction itself, and what must hold."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import GTC
import pytest
from hypothesis import given, strategies as st

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.budgeting import expected_budget, reading_budget, repeatability
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION, Entry
from gaugepost.core.setup import Body, DeclaredTemperature, LinkEntry, SetUp
from gaugepost.core.uncertainty import Budget
from gaugepost.core.uncertainty.gauging import (
    Body as Grown,
    Coefficient,
    Gauging,
    Ring,
    Warmth,
    gauging_budget,
)
from gaugepost.edge.decoding import Decoders
from tests.core.station import RING, Hand, set_up

LINKS = {
    "usb-1": LinkEntry(
        name="usb-1",
        kind="serial_port",
        settings="{}",
        decoder="delimited_text",
        decoder_settings='{"pattern": "{value} {unit}", "units": {"mm": "mm", "in": "in"}}',
    )
}

TWENTY = tuple(
    DeclaredTemperature(body=body, celsius=D(20), spread_k=D("0.5"))
    for body in (Body.PART, Body.MASTER, Body.GAUGE)
)
KNOWN_RING = replace(RING, uncertainty_mm=D("0.0008"), coverage_factor=D(2))


def known(**station: Any) -> SetUp:
    """A station of which everything is said that an uncertainty rests on."""
    made: dict[str, Any] = {"masters": {"ring-1": KNOWN_RING}, "declared": TWENTY}
    return set_up({"repeatability_mm": D("0.0004"), "resolution_mm": D("0.001")}, **(made | station))


def gauging(**more: object) -> Gauging:
    """A length gauged off 20 °C with bodies of three materials."""
    made: dict[str, object] = {
        "length_mm": 38.0,
        "rings": (Ring(name="ring-1", size_mm=38.0, standard_mm=0.0004),),
        "repeatability_mm": 0.0,
        "repeatability_degrees": None,
        "step_mm": 0.0,
        "mastering_step_mm": 0.0,
        "part": Grown(
            coefficient=Coefficient(value=23.6e-6, half_width=2e-6), at=Warmth(celsius=24.0, standard_k=0.2)
        ),
        "master": Grown(
            coefficient=Coefficient(value=11.5e-6, half_width=1e-6), at=Warmth(celsius=21.0, standard_k=0.1)
        ),
        "gauge": Grown(
            coefficient=Coefficient(value=9.2e-6, half_width=0.9e-6), at=Warmth(celsius=23.0, standard_k=0.3)
        ),
        "gauge_mastered": Warmth(celsius=21.5, standard_k=0.15),
    }
    return Gauging(**(made | more))  # type: ignore[arg-type]


def test_the_corrections_sensitivities_agree_with_an_independent_library() -> None:
    """GTC differentiates the model of the correction itself; ours are analytic. Same u to four digits."""

    def body(value: float, half: float, celsius: float, u: float) -> tuple[Any, Any]:
        return GTC.ureal(value, half / 3**0.5), GTC.ureal(celsius, u)

    ap, tp = body(23.6e-6, 2e-6, 24.0, 0.2)
    am, tm = body(11.5e-6, 1e-6, 21.0, 0.1)
    ag, tg = body(9.2e-6, 0.9e-6, 23.0, 0.3)
    tgm, dm = GTC.ureal(21.5, 0.15), GTC.ureal(38.0, 0.0004)
    span = dm * (1 + am * (tm - 20)) / (1 + ag * (tgm - 20))
    size = span * (1 + ag * (tg - 20)) / (1 + ap * (tp - 20))
    made = gauging_budget(gauging())
    first_order = [each for each in made.components if not each.quantity.startswith("second-order")]
    assert sum(each.contribution**2 for each in first_order) ** 0.5 == pytest.approx(
        GTC.uncertainty(size), rel=1e-3
    )


def test_ring_and_part_of_one_steel_in_one_room_owe_little_to_its_coefficient() -> None:
    """What both share cancels at one temperature; what is left is the difference GUM H.1 allows for, u(δα) = u(α)/2."""
    steel = Coefficient(value=11.5e-6, half_width=2e-6)
    warm = Warmth(celsius=24.0)
    same = Grown(coefficient=steel, at=warm)
    made = gauging_budget(gauging(part=same, master=same, gauge=same, gauge_mastered=warm))
    shares = [(parts, share) for parts, share in made.ranked() if len(parts) > 1]
    ((parts, share),) = shares
    of_alpha = (share * made.standard_mm**2) ** 0.5
    assert {part.quantity.split()[-1] for part in parts} == {"part", "master", "gauge"}
    assert of_alpha == pytest.approx(38.0 * 4.0 * (2e-6 / 3**0.5) / 2, rel=1e-3)


def test_a_reading_says_how_well_it_is_known() -> None:
    """Expanded uncertainty, factor and u stand on each reading of a station that declares all."""
    hand = Hand(known()).ready()
    reading = hand.show("38.013")
    assert reading.derivation == DERIVATION
    assert reading.standard_uncertainty_mm is not None
    assert reading.uncertainty_mm is not None
    assert reading.coverage_factor == pytest.approx(2, abs=0.01)
    assert float(reading.uncertainty_mm) == pytest.approx(
        float(reading.standard_uncertainty_mm * reading.coverage_factor), rel=1e-5
    )
    assert len(reading.uncertainty_mm.as_tuple().digits) <= 6
    assert reading.uncertainty_reasons is None


@pytest.mark.parametrize(("derivation", "counted"), [(4, 16), (DERIVATION, 1)])
def test_a_mastering_that_was_ended_early_is_the_mean_of_what_was_read(derivation: int, counted: int) -> None:
    """Of sixteen readings to be taken one was: its repeatability is in the offset whole, not a quarter of it."""
    hand = Hand(known(), State(derivation=derivation))
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=16))
    hand.show("38.004")
    assert hand.do(ev.Finish("bore-1")).records[0].code == "accepted"
    hand.check("38.004")
    made = reading_budget(hand.state, "bore-1", hand.set_up.characteristics["A"], hand.now)
    assert isinstance(made, Budget)
    of_mean = next(each for each in made.components if each.quantity.startswith("mean of"))
    assert of_mean.quantity == f"mean of {counted} readings at mastering"
    assert of_mean.standard == pytest.approx(0.0004 / counted**0.5)


def test_of_two_masters_the_one_that_was_read_less_counts() -> None:
    """The first was read as often as was meant, the last one once."""
    other = replace(KNOWN_RING, name="ring-2", size_mm=D("38.0300"), serial="R-2")
    hand = Hand(known(masters={"ring-1": KNOWN_RING, "ring-2": other}))
    hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1", "R-2"), readings=3))
    for digits in ("38.004", "38.004", "38.004", "38.033"):
        hand.show(digits)
    assert hand.do(ev.Finish("bore-1")).records[0].code == "accepted"
    assert hand.state.gauges["bore-1"].mastered is not None
    assert hand.state.gauges["bore-1"].mastered.readings == 1


def test_what_nothing_declares_is_not_made_up() -> None:
    """Without a certificate's uncertainty there is none on the reading, and it says what to declare."""
    reading = Hand(known(masters={"ring-1": RING})).ready().show("38.013")
    assert reading.uncertainty_mm is None
    assert reading.uncertainty_reasons == (
        "nothing says how well the size of ring-1 is known: add uncertainty and coverage_factor to it",
    )
    warm = Hand(known(declared=())).ready().show("38.013")
    assert warm.uncertainty_mm is None
    assert warm.uncertainty_reasons is not None
    assert warm.uncertainty_reasons[0].startswith("nothing says how warm the part is")


def test_an_expansion_that_is_not_corrected_counts_whole() -> None:
    """With air at 22 ± 3 °C declared and no body's own temperature, 5 K of steel are in the budget of each body."""
    air = (DeclaredTemperature(body=Body.AIR, celsius=D(22), spread_k=D(3)),)
    made = expected_budget(known(declared=air), "bore-1", known().characteristics["A"], ("ring-1",))
    assert isinstance(made, Budget)
    whole = {each.quantity: each.standard for each in made.components if "uncorrected" in each.quantity}
    assert whole["uncorrected expansion of the part"] == pytest.approx(38 * 12.5e-6 * 5 / 3**0.5, rel=1e-6)
    assert "not corrected to 20 °C: the whole expansion counts" in made.assumed


def test_a_mean_shrinks_what_repeats_and_nothing_else() -> None:
    """A mean of four has half the repeatability, and the certificate's uncertainty undiminished."""
    made = expected_budget(known(), "bore-1", known().characteristics["A"], ("ring-1",))
    assert isinstance(made, Budget)
    four = made.of_mean(4)
    for one, mean in zip(made.components, four.components, strict=True):
        assert mean.standard == pytest.approx(
            one.standard / (2 if one.quantity.startswith("repeatab") else 1)
        )


def test_one_estimate_has_its_degrees_of_freedom_once() -> None:
    """Where all that is uncertain rests on one s with 4 degrees of freedom, the result has those 4 and no more."""
    bare = gauging(
        rings=(Ring(name="ring-1", size_mm=38.0, standard_mm=0.0),),
        repeatability_mm=0.001,
        repeatability_degrees=4.0,
        mastering_readings=2,
        **{body: Grown(coefficient=Coefficient(value=0.0, half_width=0.0), at=Warmth(celsius=20.0))
           for body in ("part", "master", "gauge")},
        gauge_mastered=Warmth(celsius=20.0),
    )  # fmt: skip
    assert gauging_budget(bare).degrees_of_freedom == 4


def test_repeatability_comes_from_the_gauges_own_masterings_and_checks() -> None:
    """Two readings 2 µm apart are s = 1.41 µm with one degree of freedom; two single checks add another."""
    hand = Hand(known())
    hand.master("38.003", "38.005")
    found = repeatability(hand.state.gauges["bore-1"].scatter)
    assert found is not None
    assert (*found,) == pytest.approx((0.002 / 2**0.5, 1))
    hand.check("38.004")
    hand.check("38.004")
    found = repeatability(hand.state.gauges["bore-1"].scatter)
    assert found is not None
    assert (*found,) == pytest.approx((0.002 / 2, 2))


@given(
    st.sampled_from(["repeatability", "ring", "spread", "error"]),
    st.integers(1, 40),
    st.integers(1, 40),
)
def test_worse_inputs_never_give_a_better_budget(which: str, one: int, more: int) -> None:
    """No certificate, repeatability, spread or maximum error can be made worse and u smaller."""

    def u(tenths: int) -> float:
        value = D(tenths).scaleb(-4)
        gauge = {
            "repeatability_mm": value if which == "repeatability" else D("0.0004"),
            "maximum_error_mm": value if which == "error" else None,
        }
        ring = replace(KNOWN_RING, uncertainty_mm=value if which == "ring" else D("0.0008"))
        spread = D(tenths).scaleb(-1) if which == "spread" else D("0.5")
        declared = tuple(replace(each, spread_k=spread) for each in TWENTY)
        made = set_up(gauge, masters={"ring-1": ring}, declared=declared)
        found = expected_budget(made, "bore-1", made.characteristics["A"], ("ring-1",))
        assert isinstance(found, Budget)
        return found.standard_mm

    assert u(one + more) >= u(one)


def test_twins_in_inch_and_metric_have_the_same_uncertainty() -> None:
    """The same digits' step, ring and bore said in inches make the same u, bit for bit."""
    metric = Hand(known()).ready()
    made = metric.show("38.0125")
    twin = set_up(
        {"repeatability_mm": D("0.0004"), "resolution_mm": D("0.001")}, {"unit": Unit.INCH},
        masters={"ring-1": KNOWN_RING}, declared=TWENTY,
    )  # fmt: skip
    inch = Hand(twin).ready()
    other = inch.show("38.0125")
    assert (other.uncertainty_mm, other.standard_uncertainty_mm, other.verdict) == (
        made.uncertainty_mm, made.standard_uncertainty_mm, made.verdict
    )  # fmt: skip


def test_records_of_derivation_1_are_derived_by_their_own_rules() -> None:
    """What is from before there were uncertainties comes out as it was, what is later with them."""
    hand = Hand(known(links=LINKS), State(derivation=1)).ready()
    old = hand.show("38.013")
    assert (old.derivation, old.uncertainty_mm, old.uncertainty_reasons) == (1, None, None)
    hand.state = replace(hand.state, derivation=2)
    hand.ready()
    new = hand.show("38.012")
    assert new.derivation == 2
    assert new.uncertainty_mm is not None
    came = list(differences([Entry(at, b"", each) for at, each in enumerate(hand.records, 1)], Decoders()))
    assert [each for each in came if isinstance(each, Difference)] == []
    forged = [replace(each, derivation=2) if each is old else each for each in hand.records]
    came = list(differences([Entry(at, b"", each) for at, each in enumerate(forged, 1)], Decoders()))
    assert [each.sequence for each in came if isinstance(each, Difference)] == [hand.records.index(old) + 1]
