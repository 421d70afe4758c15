"""What station file and journal say of a measurement becomes a budget, or the reasons why there is none."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench.budgeting import (
    Unstated,
    doubt_of,
    expected_budget,
    fields_of,
    reading_budget,
    step_mm_of,
)
from gaugepost.core.bench.budgeting.budgets import DAY_MS, budget_of
from gaugepost.core.bench.state import Mastered, Scatter, Sourced, State
from gaugepost.core.mastering import Line
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import (
    Body,
    CharacteristicEntry,
    Combine,
    DeclaredTemperature,
    SetUp,
    ThermometerEntry,
)
from gaugepost.core.uncertainty import Budget, Component, budget
from tests.core.station import AIR, BORE, RING, Hand
from tests.core.test_uncertainty_gauging import KNOWN_RING, TWENTY, known

CALIBRATED_MS = 20_000 * DAY_MS
SINCE = replace(KNOWN_RING, drift_mm_per_year=D("0.0006"), calibrated_utc_ms=CALIBRATED_MS)


def gauge(set_up: SetUp, **more: Any) -> SetUp:
    return replace(set_up, gauges={"bore-1": replace(set_up.gauges["bore-1"], **more)})


def stated(made: Budget | Unstated) -> Budget:
    assert isinstance(made, Budget), made
    return made


def expected(
    set_up: SetUp, masters: tuple[str, ...] = ("ring-1",), utc_ms: int = 0, **of_bore: Any
) -> Budget | Unstated:
    return expected_budget(set_up, "bore-1", replace(BORE, **of_bore), masters, utc_ms)


def lines(made: Budget | Unstated) -> dict[str, Component]:
    return {each.quantity: each for each in stated(made).components}


@pytest.mark.parametrize(
    ("days", "half_width"), [(0, 0), (-400, 0), (365, 0.0006), (730.5, 0.0012), (3652.5, 0.006)]
)
def test_a_ring_drifts_from_the_day_of_its_calibration(days: float, half_width: float) -> None:
    """0.6 µm a year either way since it was calibrated, a rectangle; nothing before, nor of a ring nobody dated."""
    found = lines(expected(known(masters={"ring-1": SINCE}), utc_ms=CALIBRATED_MS + int(days * DAY_MS)))
    drift = found.get("drift of ring-1")
    assert (drift.standard if drift else 0) == pytest.approx(half_width / 3**0.5, rel=2e-3)
    for undated in (replace(SINCE, calibrated_utc_ms=None), replace(SINCE, drift_mm_per_year=None)):
        later = lines(expected(known(masters={"ring-1": undated}), utc_ms=CALIBRATED_MS + 900 * DAY_MS))
        assert "drift of ring-1" not in later


def test_a_certificate_says_more_than_a_class() -> None:
    """U/k with the certificate's degrees of freedom where there is one; else the class, a rectangle (GUM, 4.3.7)."""
    of_class = replace(KNOWN_RING, half_tolerance_mm=D("0.000381"), tolerance_class="XX")
    certified = replace(of_class, uncertainty_mm=D("0.0009"), coverage_factor=D(3), certificate_degrees=18)
    size = lines(expected(known(masters={"ring-1": certified})))["size of ring-1"]
    assert size.standard == pytest.approx(0.0003)
    assert (size.degrees_of_freedom, size.value) == (18, 38.0012)
    for lacking in ({"uncertainty_mm": None}, {"coverage_factor": None}):
        size = lines(expected(known(masters={"ring-1": replace(of_class, **lacking)})))["size of ring-1"]  # type: ignore[arg-type]
        assert size.standard == pytest.approx(0.000381 / 3**0.5)
        assert size.degrees_of_freedom is None
    aged = replace(of_class, uncertainty_mm=None, drift_mm_per_year=D("0.001"), calibrated_utc_ms=0)
    found = lines(expected(known(masters={"ring-1": aged}), utc_ms=int(365.25 * DAY_MS)))
    assert found["drift of ring-1"].standard == pytest.approx(0.001 / 3**0.5, rel=1e-2)


DECLARED = {each.body: each for each in TWENTY}
NAMELESS: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, Any], str]] = {
    "size of the ring": ({"masters": {"ring-1": RING}}, {}, {}, "how well the size of ring-1 is known"),
    "part's temperature": ({"declared": TWENTY[1:]}, {}, {}, "how warm the part is"),
    "master's temperature": ({"declared": TWENTY[::2]}, {}, {}, "how warm the master is"),
    "gauge's temperature": ({"declared": TWENTY[:2]}, {}, {}, "how warm the gauge is"),
    "part's material": ({}, {}, {"coefficient": None}, "name the part_material of A"),
    "master's material": (
        {"masters": {"ring-1": replace(KNOWN_RING, coefficient=None)}}, {}, {}, "name the material of the master",
    ),
    "gauge's material": ({}, {"coefficient": None}, {}, "how bore-1 grows with temperature"),
    "size on the drawing": (
        {}, {}, {"nominal_mm": None, "lower_mm": None, "upper_mm": None}, "the characteristic has no size",
    ),
}  # fmt: skip


@pytest.mark.parametrize("lacking", NAMELESS)
def test_what_is_missing_is_named_and_nothing_else(lacking: str) -> None:
    """Each thing that nothing says is one reason, in the words of what to declare."""
    station, of_gauge, of_bore, said = NAMELESS[lacking]
    made = expected(gauge(known(**station), **of_gauge), **of_bore)
    assert isinstance(made, Unstated)
    (reason,) = made.reasons
    assert said in reason
    assert doubt_of(made) is None
    assert fields_of(made) == {"uncertainty_reasons": (reason,)}


def test_everything_missing_is_listed_at_once() -> None:
    """Who mends one finds no second behind it; a record has room for the first, and says how many more there are."""
    bare = gauge(known(masters={"ring-1": replace(RING, coefficient=None)}, declared=()), coefficient=None)
    made = expected(bare, coefficient=None, nominal_mm=None, lower_mm=None, upper_mm=None)
    assert isinstance(made, Unstated)
    assert len(made.reasons) == len(NAMELESS)
    for *_, said in NAMELESS.values():
        assert sum(said in reason for reason in made.reasons) == 1
    first, more = fields_of(made)["uncertainty_reasons"]
    assert first == made.reasons[0]
    assert more.startswith(f"and {len(NAMELESS) - 1} more")


def test_a_frame_with_a_declared_drift_needs_no_material() -> None:
    """What a drift replaces is not asked for: its temperatures count by the drift."""
    made = expected(gauge(known(), coefficient=None, drift_mm_per_k=D("0.0004")))
    assert lines(made)["temperature of the gauge, spread"].sensitivity == pytest.approx(0.0004)
    both = expected(gauge(known(), drift_mm_per_k=D("0.0004")))
    assert lines(both)["temperature of the gauge, spread"].sensitivity == pytest.approx(0.0004)
    assert "coefficient of expansion of the gauge" not in lines(both)


@pytest.mark.parametrize(
    ("of_bore", "length"),
    [
        ({"nominal_mm": D("38.5")}, 38.5),
        ({"nominal_mm": None}, 38.0125),
        ({"nominal_mm": None, "lower_mm": None}, 38.025),
        ({"nominal_mm": None, "upper_mm": None}, 38.0),
        ({"combine": Combine.RANGE, "nominal_mm": None, "lower_mm": None, "upper_mm": D("0.02")}, 38.0012),
    ],
)
def test_a_budget_is_of_the_size_on_the_drawing(of_bore: dict[str, Any], length: float) -> None:
    """Its nominal size, or the middle of its limits, or the only one; a range's limit is no size, so its ring's is."""
    spread = lines(expected(known(), **of_bore))["temperature of the part, spread"]
    assert -spread.sensitivity == pytest.approx(length * 11.5e-6)


def mastered(**more: Any) -> Mastered:
    """A mastering on the ring at 20 °C, with two readings of three decimals."""
    made: dict[str, Any] = {
        "sequence": 1,
        "masters": ("ring-1",),
        "cold": Line((), (), 1),
        "warm": Line((), (), 1),
        "gauge_c": D(20),
        "master": Sourced(D(20), "declared"),
        "unit": Unit.MM,
        "resolution": D("0.001"),
        "readings": 2,
        "gauge_source": "declared",
    }
    return Mastered(**(made | more))


MASTERED, NO_SCATTER = mastered(), Scatter()


def of_reading(
    set_up: SetUp, entry: CharacteristicEntry = BORE, at: Mastered | None = None, **more: Any
) -> Budget | Unstated:
    made: dict[str, Any] = {
        "scatter": NO_SCATTER,
        "part": Sourced(D(20), "declared"),
        "gauge_at": Sourced(D(20), "declared"),
        "utc_ms": 0,
        "step_mm": D("0.001"),
        "is_corrected": True,
    }
    return budget_of(set_up, "bore-1", entry, at or MASTERED, **(made | more))


@pytest.mark.parametrize(
    ("shown", "unit", "declared", "step_mm"),
    [
        ("38.005", Unit.MM, None, "0.001"),
        ("38.0050", Unit.MM, None, "0.0001"),
        ("1.4962", Unit.INCH, None, "0.00254"),
        ("38.005", Unit.MM, "0.005", "0.005"),
        ("38.005", Unit.MM, "0.0005", "0.001"),
        ("38.005", Unit.MM, "0.001", "0.001"),
    ],
)
def test_a_display_is_as_fine_as_its_digits_or_as_declared(
    shown: str, unit: Unit, declared: str | None, step_mm: str
) -> None:
    """A display that counts in fives shows three decimals all the same: the coarser of both is its step."""
    entry = replace(known().gauges["bore-1"], resolution_mm=None if declared is None else D(declared))
    assert step_mm_of(D(shown), unit, entry) == D(step_mm)


def resolutions(made: Budget | Unstated) -> tuple[float, float]:
    """Steps at mastering and at measuring, from their standard uncertainties (a step is ± half of it: GUM, F.2.2.1)."""
    found = lines(made)
    at_mastering, at_measuring = (
        found[f"resolution at {each}"].standard * 12**0.5 for each in ("mastering", "measuring")
    )
    return at_mastering, at_measuring


def test_steps_count_at_mastering_and_at_measuring() -> None:
    """Each reading's own digits and the mastering's; before there is a reading, its step is the mastering's."""
    plain = gauge(known(), resolution_mm=None)
    assert resolutions(of_reading(plain, step_mm=D("0.0005"))) == pytest.approx((0.001, 0.0005))
    assert resolutions(of_reading(plain, step_mm=D("0.002"))) == pytest.approx((0.001, 0.002))
    assert resolutions(of_reading(plain, step_mm=None)) == pytest.approx((0.001, 0.001))
    inch = mastered(unit=Unit.INCH, resolution=D("0.0001"))
    assert resolutions(of_reading(plain, at=inch, step_mm=None)) == pytest.approx((0.00254, 0.00254))


def test_a_declared_coarser_step_counts_at_mastering_from_derivation_3_on() -> None:
    """Earlier records keep what they were derived by: the digits alone."""
    coarse = gauge(known(), resolution_mm=D("0.005"))
    for derivation, step in ((2, 0.001), (3, 0.005), (4, 0.005)):
        found = resolutions(of_reading(coarse, step_mm=D("0.005"), derivation=derivation))
        assert found == pytest.approx((step, 0.005))


def test_repeatability_is_as_declared_or_the_gauges_own() -> None:
    """Declared with its degrees of freedom, it goes before what masterings showed; with neither it is a reason."""
    seen = Scatter(squares=18e-8, degrees_of_freedom=2)
    declared = gauge(known(), repeatability_mm=D("0.0004"), repeatability_degrees=9)
    line = lines(of_reading(declared, scatter=seen))["repeatability of a reading"]
    assert (line.standard, line.degrees_of_freedom, line.source) == (0.0004, 9, "declared")
    own = gauge(known(), repeatability_mm=None)
    found = lines(of_reading(own, scatter=seen))
    line = found["repeatability of a reading"]
    assert line.standard == pytest.approx(0.0003)
    assert (line.degrees_of_freedom, line.source) == (2, "the gauge's own masterings and checks")
    assert found["mean of 2 readings at mastering"].standard == pytest.approx(0.0003 / 2**0.5)
    made = of_reading(own)
    assert isinstance(made, Unstated)
    assert made.reasons[0].startswith("nothing says how bore-1 repeats")


def test_a_ring_that_is_gone_from_the_station_file_is_named() -> None:
    """What it was mastered on, in a set-up without that ring, says nothing of its size."""
    made = of_reading(known(), at=mastered(masters=("ring-9",)))
    assert isinstance(made, Unstated)
    assert made.reasons[0] == "the master that it was mastered on is not in the station file"
    of_range = replace(BORE, combine=Combine.RANGE)  # its ring's size would be that of the budget
    assert of_reading(known(), of_range, at=mastered(masters=("ring-9",))) == made
    two = of_reading(known(), at=mastered(masters=("ring-1", "ring-9")))
    assert isinstance(two, Unstated)
    assert two.reasons == made.reasons[:1]


def test_where_a_gauges_temperature_came_from_is_kept_from_its_mastering() -> None:
    """Declared then and now it has its declared spread; a mastering from before that was kept is taken as assumed."""
    air = replace(AIR, uncertainty_k=D("0.4"), spread_k=D(2))
    set_up = known(thermometers={"air": air}, declared=TWENTY)
    name = "temperature of the gauge at mastering, spread"
    assert lines(of_reading(set_up))[name].standard == pytest.approx(0.5 / 3**0.5)
    old = lines(of_reading(set_up, at=mastered(gauge_source=None)))
    assert old[name].standard == pytest.approx(2 / 3**0.5)
    still = of_reading(known(), at=mastered(gauge_c=None))
    assert isinstance(still, Unstated)
    assert still.reasons[0].startswith("nothing says how warm the gauge is")


@pytest.mark.parametrize(("level", "k"), [(None, 2.0), (D("0.95"), 1.96), (D("0.99"), 2.576)])
def test_the_stations_level_sets_the_factor(level: D | None, k: float) -> None:
    """k is 2 where none is asked for, 1.96 at 95 % (GUM, table G.1)."""
    assert stated(expected(known(level=level))).coverage_factor == pytest.approx(k, abs=5e-4)


def test_a_declared_maximum_error_is_in_it() -> None:
    """± 2 µm over the gauge's travel, a rectangle."""
    found = lines(expected(gauge(known(), maximum_error_mm=D("0.002"))))
    assert found["maximum permissible error of the gauge"].standard == pytest.approx(0.002 / 3**0.5)
    assert "maximum permissible error of the gauge" not in lines(expected(known()))


def test_a_budget_over_several_readings_is_that_of_their_mean() -> None:
    """Of four readings half of what repeats is left; where one has no budget, their mean has none."""
    one, four = stated(of_reading(known())), stated(of_reading(known(), readings=4))
    assert four.repeats_mm == pytest.approx(one.repeats_mm / 2)
    assert one.standard_mm**2 - four.standard_mm**2 == pytest.approx(0.0004**2 * 3 / 4, rel=1e-6)
    assert isinstance(of_reading(known(declared=()), readings=4), Unstated)
    coarse = gauge(known(), resolution_mm=D("0.005"))
    assert resolutions(of_reading(coarse, readings=4, derivation=2))[0] == pytest.approx(0.001)


@pytest.mark.parametrize(
    "other",
    [
        {"part": Sourced(D(29), "declared")},
        {"gauge_at": Sourced(D(29), "declared")},
        {"utc_ms": CALIBRATED_MS + 900 * DAY_MS},
        {"step_mm": D("0.01")},
        {"is_corrected": False},
        {"readings": 2},
        {"scatter": Scatter(squares=1e-6, degrees_of_freedom=3)},
        {"at": mastered(resolution=D("0.01"))},
        {"entry": replace(BORE, coefficient=D("23.6E-6"))},
        {"derivation": 2},
    ],
    ids=lambda other: next(iter(other)),
)
def test_a_budget_is_that_of_what_it_was_asked_for(other: dict[str, Any]) -> None:
    """No budget that was worked out before for anything else is taken for it; asked again, it is the same one."""
    set_up = gauge(known(masters={"ring-1": SINCE}), repeatability_mm=None, resolution_mm=D("0.005"))
    first: dict[str, Any] = {"scatter": Scatter(squares=1e-7, degrees_of_freedom=3)}
    if "at" not in other:
        assert of_reading(set_up, **(first | other)) is of_reading(set_up, **(first | other))
    before = stated(of_reading(set_up, **first))
    after = stated(of_reading(set_up, **(first | other)))
    assert before != after
    assert stated(of_reading(set_up, **first)) == before


def test_a_reading_has_the_budget_that_is_shown_for_it() -> None:
    """What is asked for of a gauge as things stand is what its next reading says of itself."""
    hand = Hand(known()).ready()
    made = stated(
        reading_budget(hand.state, "bore-1", hand.set_up.characteristics["A"], hand.now, D("0.001"))
    )
    reading = hand.show("38.013")
    assert float(reading.standard_uncertainty_mm or 0) == pytest.approx(made.standard_mm, rel=1e-5)
    assert not any("not corrected" in each for each in made.assumed)
    old = Hand(gauge(known(), resolution_mm=D("0.005")), State(derivation=2)).ready()
    assert resolutions(reading_budget(old.state, "bore-1", BORE, old.now))[0] == pytest.approx(0.001)


def test_a_gauge_that_is_not_mastered_has_no_budget() -> None:
    """There is nothing yet that a reading could rest on."""
    hand = Hand(known())
    made = reading_budget(hand.state, "bore-1", BORE, hand.now)
    assert made == Unstated(("bore-1 is not mastered",))


@pytest.mark.parametrize("body", [Body.PART, Body.GAUGE, Body.MASTER])
def test_one_temperature_that_is_not_known_leaves_the_whole_expansion(body: Body) -> None:
    """With air at 22 ± 3 °C for the body that nothing else is said of, nothing is corrected, and that is said."""
    air = DeclaredTemperature(body=Body.AIR, celsius=D(22), spread_k=D(3))
    others = tuple(each for each in TWENTY if each.body is not body)
    hand = Hand(known(declared=(*others, air))).ready()
    made = stated(reading_budget(hand.state, "bore-1", BORE, hand.now, D("0.001")))
    assert made.assumed[0].startswith("not corrected to 20 °C")
    assert any(f"{body} at 22 °C ± 3 K" in each for each in made.assumed)
    assert any(f"{each.body} at 20 °C ± 0.5 K" in note for each in others for note in made.assumed)
    reading = hand.show("38.013")
    assert float(reading.standard_uncertainty_mm or 0) == pytest.approx(made.standard_mm, rel=1e-5)


def test_what_does_not_spread_is_not_called_assumed() -> None:
    """A temperature that a thermometer showed on the body is no assumption, even where another one is."""
    on_part = ThermometerEntry(name="p", link="usb-9", body=Body.PART, uncertainty_k=D("0.2"))
    made = stated(
        of_reading(known(thermometers={"p": on_part}), part=Sourced(D(23), "measured"), is_corrected=False)
    )
    assert not any("the part at" in each for each in made.assumed)
    assert any("the master at 20 °C" in each for each in made.assumed)


def test_what_a_record_says_hangs_together_to_six_digits() -> None:
    """U = k·u on the record, and the decision is made with the digits that stand there."""
    made = budget((Component(quantity="x", standard=0.00123456789, degrees_of_freedom=7.5),))
    said = fields_of(made)
    assert said["standard_uncertainty_mm"] == D("0.00123457")
    assert said["degrees_of_freedom"] == 7
    assert float(said["uncertainty_mm"]) == pytest.approx(made.expanded_mm, rel=1e-5)
    doubt = doubt_of(made)
    assert doubt is not None
    assert doubt.standard_mm == 0.00123457
    assert doubt.degrees_of_freedom == 7.0
    assert doubt.coverage_factor == float(said["coverage_factor"])
    endless = doubt_of(budget((Component(quantity="x", standard=0.001),)))
    assert endless is not None
    assert endless.degrees_of_freedom is None
    assert doubt_of(budget((Component(quantity="x", standard=0.0),))) is None, "0 would prove everything"
