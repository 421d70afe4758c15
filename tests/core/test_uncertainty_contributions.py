"""Each line of a gauge's budget, against a library that differentiates the model, and from first principles.

GTC is given the model equation alone and what each input's uncertainty is; sensitivities are its own.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import GTC
import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.core.uncertainty import Budget, Component, Shape
from gaugepost.core.uncertainty.gauging import Body, Coefficient, Gauging, Ring, Warmth, gauging_budget

LENGTH = 38.0
PART, MASTER, FRAME = (23.6e-6, 2e-6), (11.5e-6, 1e-6), (9.2e-6, 0.9e-6)
"""Coefficients with their half-widths, 1/K."""
PART_AT, MASTER_AT, NOW, THEN = (34.0, 0.2, 0.5), (27.0, 0.1, 0.3), (31.0, 0.3, 0.4), (26.0, 0.15, 0.2)
"""Temperatures with the thermometer's standard uncertainty and the spread, °C and K."""
DRIFT = 4e-4
"""Growth of a frame that is held in a hand, mm/K."""
RINGS = (
    Ring(name="ring-1", size_mm=33.0, standard_mm=4e-4, drift_mm=3e-4),
    Ring(name="ring-2", size_mm=53.0, standard_mm=6e-4, drift_mm=2e-4),
)
S, READINGS, STEP, MASTERING_STEP, ERROR = 5e-4, 3, 1e-3, 2e-3, 1.5e-3


def body(coefficient: tuple[float, float], at: tuple[float, float, float]) -> Body:
    return Body(coefficient=Coefficient(value=coefficient[0], half_width=coefficient[1]), at=warmth(at))


def warmth(at: tuple[float, float, float]) -> Warmth:
    return Warmth(celsius=at[0], standard_k=at[1], spread_k=at[2])


def gauging(**more: Any) -> Gauging:
    """All bodies away from 20 °C and from each other, so that no term is too small to be seen."""
    made: dict[str, Any] = {
        "length_mm": LENGTH,
        "rings": RINGS[:1],
        "repeatability_mm": S,
        "repeatability_degrees": None,
        "mastering_readings": READINGS,
        "step_mm": STEP,
        "mastering_step_mm": MASTERING_STEP,
        "maximum_error_mm": ERROR,
        "part": body(PART, PART_AT),
        "master": body(MASTER, MASTER_AT),
        "gauge": body(FRAME, NOW),
        "gauge_mastered": warmth(THEN),
    }
    return Gauging(**(made | more))


DRIFTING: dict[str, Any] = {"gauge": None, "gauge_now": warmth(NOW), "drift_mm_per_k": DRIFT}


def differentiated(rings: int, drifts: bool) -> dict[str, float]:
    """Return what GTC makes of the model: each input's contribution in mm, with its sign."""
    inputs: dict[str, Any] = {}

    def u(name: str, standard: float) -> Any:
        inputs[name] = GTC.ureal(0, standard)
        return inputs[name]

    def coefficient(name: str, known: tuple[float, float]) -> Any:
        return known[0] + u(f"coefficient of expansion of the {name}", known[1] / 3**0.5)

    def theta(name: str, known: tuple[float, float, float]) -> Any:
        shown = u(f"temperature of the {name}", known[1])
        return known[0] - 20 + shown + u(f"temperature of the {name}, spread", known[2] / 3**0.5)

    def growth(alpha: float, kelvin: float) -> float:
        return 1 + alpha * (kelvin - 20)

    def on_ring(ring: Ring, on: str) -> tuple[Any, Any]:
        size = ring.size_mm + u(f"size of {ring.name}", ring.standard_mm)
        size += u(f"drift of {ring.name}", ring.drift_mm / 3**0.5)
        shown = u(f"mean of 3 readings at mastering{on}", S / 3**0.5)
        return size, shown + u(f"resolution at mastering{on}", MASTERING_STEP / 12**0.5)

    x = u("repeatability of a reading", S) + u("resolution at measuring", STEP / 12**0.5)
    x += u("maximum permissible error of the gauge", ERROR / 3**0.5)
    grown = 1 + coefficient("part", PART) * theta("part", PART_AT)
    mastered = 1 + coefficient("master", MASTER) * theta("master", MASTER_AT)
    now, then = theta("gauge", NOW), theta("gauge at mastering", THEN)
    if drifts:
        onto, back = mastered, 1.0
        bare = growth(PART[0], PART_AT[0]) * LENGTH - DRIFT * (NOW[0] - THEN[0])
        bare /= growth(MASTER[0], MASTER_AT[0])
    else:
        alpha = coefficient("gauge", FRAME)
        onto, back = mastered / (1 + alpha * then), 1 + alpha * now
        bare = growth(PART[0], PART_AT[0]) / growth(FRAME[0], NOW[0]) * LENGTH
        bare *= growth(FRAME[0], THEN[0]) / growth(MASTER[0], MASTER_AT[0])
    if rings == 1:  # of a size with which the part comes out as long as the budget is of
        size, shown = on_ring(replace(RINGS[0], size_mm=bare), "")
        span = size * onto + x - shown
    else:
        (d1, x1), (d2, x2) = (on_ring(ring, f" on {ring.name}") for ring in RINGS)
        apart = RINGS[1].size_mm - RINGS[0].size_mm
        at = bare - RINGS[0].size_mm  # what is shown above the first ring
        span = onto * (d1 + (d2 - d1) * (at + x - x1) / (apart + x2 - x1))
    length = (span + DRIFT * (now - then)) / grown if drifts else span * back / grown
    assert GTC.value(length) == pytest.approx(LENGTH, abs=1e-9)
    return {name: GTC.reporting.u_component(length, each) for name, each in inputs.items()}


def lines(made: Budget) -> dict[str, Component]:
    found = {each.quantity: each for each in made.components}
    assert len(found) == len(made.components), "each line is told from the others"
    return found


@pytest.mark.parametrize("rings", [1, 2])
@pytest.mark.parametrize("drifts", [False, True])
def test_every_line_is_what_an_independent_library_differentiates(rings: int, drifts: bool) -> None:
    """By one ring or two, with a gauge that grows or drifts: the same lines, each of the same size and sign.

    Coefficients and temperatures of what grows to nine digits; the others as far as a length at 20 °C may stand for one
    as it is, to some 1e-4.
    """
    known = gauging(rings=RINGS[:rings], **(DRIFTING if drifts else {}))
    found, wanted = lines(gauging_budget(known)), differentiated(rings, drifts)
    first_order = {name for name in found if not name.startswith("second-order")}
    assert first_order == set(wanted)
    for name, contribution in wanted.items():
        exact = not drifts and name.startswith(("temperature", "coefficient"))
        assert found[name].contribution == pytest.approx(contribution, rel=1e-9 if exact else 2e-3), name


def test_a_line_reads_in_its_own_unit() -> None:
    """A temperature is in °C, a coefficient in 1/K, the rest in mm; estimates stand beside those that are not 0."""
    found = lines(gauging_budget(gauging()))
    assert (found["temperature of the part"].unit, found["temperature of the part"].value) == ("°C", 34.0)
    spread = found["temperature of the gauge at mastering, spread"]
    assert (spread.unit, spread.value) == ("°C", 26.0)
    assert spread.standard == pytest.approx(0.2 / 3**0.5)
    alpha = found["coefficient of expansion of the master"]
    assert (alpha.unit, alpha.value) == ("1/K", 11.5e-6)
    assert alpha.standard == pytest.approx(1e-6 / 3**0.5)
    assert (found["size of ring-1"].unit, found["size of ring-1"].value) == ("mm", 33.0)
    assert found["size of ring-1"].standard == 4e-4
    assert found["second-order term of the part's expansion"].unit == "1"


def test_what_is_known_by_its_bounds_is_rectangular() -> None:
    """Certificates, scatter and thermometers are normal; steps, spreads, errors, drifts and handbooks have bounds."""
    for known in (gauging(), gauging(**DRIFTING), gauging(is_corrected=False)):
        for name, each in lines(gauging_budget(known)).items():
            bounded = name.endswith("spread") or name.startswith(
                ("resolution", "maximum", "drift", "coefficient", "uncorrected")
            )
            assert each.shape is (Shape.RECTANGULAR if bounded else Shape.NORMAL), name


def test_only_one_reading_repeats() -> None:
    """What a mean over readings divides is their repeatability: not the mastering's, nor any step."""
    found = lines(gauging_budget(gauging()))
    assert [name for name, each in found.items() if each.repeats] == ["repeatability of a reading"]


@pytest.mark.parametrize("celsius", [20.0, 35.0])
def test_a_part_at_20_has_its_products_left(celsius: float) -> None:
    """With x and θ independent, the variance of α·θ is α²u²(θ) + θ²u²(α) + u²(α)·u²(θ): exactly (GUM, H.1.7)."""
    alpha, u_alpha, u_theta = 23.6e-6, 2e-6 / 3**0.5, math.hypot(0.2, 0.5 / 3**0.5)
    still = Body(coefficient=Coefficient(value=0.0, half_width=0.0), at=Warmth(celsius=20.0))
    known = gauging(
        part=body(PART, (celsius, 0.2, 0.5)), master=still, gauge=still, gauge_mastered=still.at,
        rings=(Ring(name="ring-1", size_mm=LENGTH, standard_mm=0.0),), repeatability_mm=0.0, step_mm=0.0,
        mastering_step_mm=0.0, maximum_error_mm=None,
    )  # fmt: skip
    variance = (alpha * u_theta) ** 2 + ((celsius - 20) * u_alpha) ** 2 + (u_alpha * u_theta) ** 2
    made = gauging_budget(known)
    assert made.standard_mm == pytest.approx(LENGTH * math.sqrt(variance), rel=1e-3)
    product = lines(made)["second-order term of the part's expansion"]
    assert product.contribution == pytest.approx(LENGTH * u_alpha * u_theta, rel=1e-12)


@pytest.mark.parametrize(
    ("half_width", "standard_k", "spread_k", "has_product"),
    [
        (2e-6, 0.2, 0.5, True),
        (2e-6, 0.2, 0.0, True),
        (2e-6, 0.0, 0.5, True),
        (0, 0.2, 0.5, False),
        (2e-6, 0, 0, False),
    ],
)
def test_what_is_exact_has_no_line(
    half_width: float, standard_k: float, spread_k: float, has_product: bool
) -> None:
    """A coefficient or a temperature that is known exactly is no line of the budget, and has no product."""
    known = gauging(part=body((23.6e-6, half_width), (34.0, standard_k, spread_k)))
    found = lines(gauging_budget(known))
    assert ("coefficient of expansion of the part" in found) == (half_width > 0)
    assert ("temperature of the part" in found) == (standard_k > 0)
    assert ("temperature of the part, spread" in found) == (spread_k > 0)
    assert ("second-order term of the part's expansion" in found) == has_product
    bare = gauging_budget(gauging(rings=(replace(RINGS[0], drift_mm=0.0),), maximum_error_mm=None))
    assert not {"drift of ring-1", "maximum permissible error of the gauge"} & set(lines(bare))
    assert any("no maximum permissible error" in each for each in bare.assumed)
    assert not any("no maximum" in each for each in gauging_budget(gauging()).assumed)


def of_kind(made: Budget, kind: str) -> float:
    """Return what the lines of coefficients, or of temperatures, come to together, in mm."""
    shares = [share for parts, share in made.ranked() if parts[0].quantity.startswith(kind)]
    return math.sqrt(math.fsum(shares)) * made.standard_mm


def test_pieces_of_other_materials_or_measured_themselves_share_no_coefficient() -> None:
    """Where none is a material's that another has, L·θ·u(α) of ring and part are independent (GUM, (11))."""
    warm, each = Warmth(celsius=24.0), LENGTH * 4 * 2e-6 / 3**0.5

    def coefficients(part: Coefficient, master: Coefficient) -> float:
        gauge = Body(coefficient=master, at=warm)
        made = gauging_budget(
            gauging(part=Body(coefficient=part, at=warm), master=gauge, gauge=gauge, gauge_mastered=warm)
        )
        return of_kind(made, "coefficient")

    steel, brass = (Coefficient(value=value, half_width=2e-6) for value in (11.5e-6, 20.5e-6))
    own = replace(steel, is_handbooks=False)
    assert coefficients(steel, steel) == pytest.approx(each / 2, rel=1e-3), "GUM H.1: half of one's"
    for part, master in ((own, own), (own, steel), (steel, own), (brass, steel)):
        assert coefficients(part, master) == pytest.approx(each * 2**0.5, rel=1e-3)


def one_room(*thermometers: str) -> Budget:
    """Part, master and gauge, now and at mastering, of one steel at 24 °C by these thermometers, each to 0.1 K."""
    at = [Warmth(celsius=24.0, standard_k=0.1, thermometer=name) for name in thermometers]
    part, master, now = (
        Body(coefficient=Coefficient(value=11.5e-6, half_width=0.0), at=each) for each in at[:3]
    )
    return gauging_budget(gauging(part=part, master=master, gauge=now, gauge_mastered=at[3]))


@pytest.mark.parametrize(
    ("thermometers", "errors"),
    [
        (("t", "t", "t", "t"), 0.0),
        (("t-1", "t-2", "t-1", "t-2"), 0.0),
        (("t-1", "t-1", "t-2", "t-3"), 2**0.5),
        (("t-1", "t-2", "t-3", "t-4"), 2.0),
        (("", "", "", ""), 2.0),
    ],
)
def test_one_thermometers_error_cancels_between_bodies_of_one_steel(
    thermometers: tuple[str, ...], errors: float
) -> None:
    """A thermometer that shows 0.1 K too much on all bodies leaves the length alone; several thermometers do not.

    Part and gauge, master and gauge at mastering count against each other; one without a thermometer is its own.
    """
    each = LENGTH * 11.5e-6 * 0.1
    assert of_kind(one_room(*thermometers), "temperature") == pytest.approx(
        errors * each, rel=1e-3, abs=1e-3 * each
    )


UNCORRECTED = {
    "uncorrected expansion of the part": LENGTH * (23.6e-6 + 2e-6) * (14 + 0.5 + 2 * 0.2),
    "uncorrected expansion of the master": LENGTH * (11.5e-6 + 1e-6) * (7 + 0.3 + 2 * 0.1),
    "uncorrected expansion of the gauge since mastering": LENGTH
    * (9.2e-6 + 0.9e-6)
    * (5 + 0.4 + 0.6 + 0.2 + 0.3),
}
"""The most that each can be: the largest coefficient at the temperature farthest from 20 °C, or that at mastering."""


@pytest.mark.parametrize("drifts", [False, True])
def test_what_is_not_corrected_counts_as_far_as_it_can_go(drifts: bool) -> None:
    """Each body's whole expansion is the half-width of a rectangle: what it can be at most, over √3 (GUM, F.2.4.5)."""
    wanted = dict(UNCORRECTED)
    if drifts:
        wanted["uncorrected expansion of the gauge since mastering"] = DRIFT * (5 + 0.4 + 0.6 + 0.2 + 0.3)
    found = lines(gauging_budget(gauging(is_corrected=False, **(DRIFTING if drifts else {}))))
    whole = {name: each for name, each in found.items() if name.startswith("uncorrected")}
    assert set(whole) == set(wanted)
    for name, most in wanted.items():
        assert abs(whole[name].contribution) == pytest.approx(most / 3**0.5, rel=1e-9)
    assert not any(name.startswith(("temperature", "coefficient", "second")) for name in found)
    assert "size of ring-1" in found


@pytest.mark.parametrize("celsius", [6.0, 34.0])
def test_cold_is_as_far_from_20_as_warm(celsius: float) -> None:
    """A part 14 K too cold has the budget of one 14 K too warm; a gauge that cooled since, of one that warmed."""
    known = gauging(is_corrected=False, part=body(PART, (celsius, 0.2, 0.5)))
    expansion = lines(gauging_budget(known))["uncorrected expansion of the part"]
    assert abs(expansion.contribution) == pytest.approx(UNCORRECTED[expansion.quantity] / 3**0.5)
    swapped = gauging(is_corrected=False, gauge=body(FRAME, THEN), gauge_mastered=warmth(NOW))
    since = lines(gauging_budget(swapped))["uncorrected expansion of the gauge since mastering"]
    assert abs(since.contribution) == pytest.approx(UNCORRECTED[since.quantity] / 3**0.5)


def test_a_frame_that_does_not_move_has_no_line_when_nothing_is_corrected() -> None:
    """A drift of 0, and no coefficient, leaves nothing to be uncorrected of the gauge."""
    known = gauging(is_corrected=False, **(DRIFTING | {"drift_mm_per_k": 0.0}))
    assert not any("gauge since" in name for name in lines(gauging_budget(known)))


@pytest.mark.parametrize(
    ("case", "names", "lacks"),
    [
        ({}, "Dm·(1+αm·θm)/(1+αg·θg,m)", "x1"),
        ({"rings": RINGS}, "(s2−s1)·(x−x1)/(x2−x1)", "Dm"),
        (DRIFTING, "c·(Tg−Tg,m)", "αg"),
        ({"is_corrected": False}, "Dm + q·(x−xm) + δE", "θm"),
        ({"is_corrected": False, "rings": RINGS}, "(D2−D1)·(x−x1)/(x2−x1) + δE", "θm"),
    ],
)
def test_the_model_is_that_of_the_case(case: dict[str, Any], names: str, lacks: str) -> None:
    """One master or two, a gauge that grows or drifts, corrected or not: the equation says which."""
    model = gauging_budget(gauging(**case)).model
    assert names in model
    assert lacks not in model


@settings(max_examples=40)
@given(st.floats(25.0, 60.0))
def test_errors_of_two_masters_come_through_by_nearness(length: float) -> None:
    """At a ring only its own error counts; between both, in proportion (straight line, GUM (10)); signs beyond them."""
    first, second = (replace(ring, drift_mm=0.0) for ring in RINGS)
    found = lines(gauging_budget(gauging(length_mm=length, rings=(first, second))))
    share = (length - 33.0) / 20.0
    assert found["size of ring-1"].contribution == pytest.approx(4e-4 * (1 - share), abs=1e-12)
    assert found["size of ring-2"].contribution == pytest.approx(6e-4 * share, abs=1e-12)
    by_resolution = [found[f"resolution at mastering on ring-{at}"].contribution for at in (1, 2)]
    assert by_resolution == pytest.approx([-(2e-3 / 12**0.5) * at for at in (1 - share, share)], abs=1e-12)


@pytest.mark.parametrize(
    ("numbers", "shared"),
    [
        (("C-1",), False),
        (("C-1", "C-2"), False),
        (("", ""), False),
        (("C-1", ""), False),
        (("C-1", "C-1"), True),
    ],
)
def test_two_masters_on_one_certificate_are_correlated_and_no_others(
    numbers: tuple[str, ...], shared: bool
) -> None:
    """The budget says of two sizes on one certificate that they go together, fully; of a ring alone nothing of it."""
    rings = tuple(replace(ring, number=number) for ring, number in zip(RINGS, numbers, strict=False))
    found = lines(gauging_budget(gauging(rings=rings)))
    for ring in rings:
        line = found[f"size of {ring.name}"]
        assert line.shared == ("certificate C-1" if shared else "")
        assert not shared or line.correlation == 1


def test_degrees_of_freedom_are_those_of_certificate_and_repeatability() -> None:
    """By (G.2b): u⁴ over u⁴(ring)/18 + (s²(1 + 1/3))²/9, one s being in the reading and in its mastering."""
    known = gauging(
        rings=(replace(RINGS[0], degrees_of_freedom=18.0, drift_mm=0.0),), repeatability_degrees=9.0
    )
    made = gauging_budget(known)
    scatter = S**2 * (1 + 1 / 3)
    wanted = made.standard_mm**4 / ((4e-4) ** 4 / 18 + scatter**2 / 9)
    assert made.combined.degrees_of_freedom == pytest.approx(wanted)
    assert made.degrees_of_freedom == math.floor(wanted)


def test_the_level_asked_for_sets_the_factor() -> None:
    """At 99 % k is 2.576 where no degrees of freedom end (GUM, table G.1), and what was assumed is passed on."""
    made = gauging_budget(gauging(level=0.99, assumed=("still air",)))
    assert made.coverage_factor == pytest.approx(2.576, abs=5e-4)
    assert made.level == 0.99
    assert "still air" in made.assumed
