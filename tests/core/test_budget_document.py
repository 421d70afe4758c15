"""A budget as programs get it and tables show it; and that of a result beside those of its readings."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench.budgeting import Unstated, document, of_result, result_budget
from gaugepost.core.bench.budgeting.several import last_readings_budget
from gaugepost.core.bench.state import Member, Scatter, Sourced
from gaugepost.core.setup import Combine
from gaugepost.core.uncertainty import Budget, Component, Shape, budget
from tests.core.station import BORE
from tests.core.test_budget_rules import expected, mastered, of_reading, stated
from tests.core.test_uncertainty_gauging import known


def line(quantity: str, standard: float, **more: Any) -> Component:
    return Component(quantity=quantity, standard=standard, **more)


def test_a_document_hangs_together() -> None:
    """Contribution is sensitivity times u; shares are of u²; U is k·u: each to six digits, as JSON has numbers."""
    made = stated(expected(known()))
    said = json.loads(json.dumps(document(made)))
    assert said["stated"] is True
    assert said["model"] == made.model
    assert said["assumed"] == list(made.assumed)
    assert said["level_of_confidence"] == 0.9545
    assert said["uncertainty_mm"] == pytest.approx(
        said["coverage_factor"] * said["standard_uncertainty_mm"], rel=2e-6
    )
    assert said["standard_uncertainty_mm"] == pytest.approx(made.standard_mm, rel=1e-5)
    assert len(said["components"]) == len(made.components)
    for each in said["components"]:
        assert each["contribution_mm"] == pytest.approx(
            each["sensitivity"] * each["standard_uncertainty"], rel=2e-5, abs=1e-15
        )
        share = (each["contribution_mm"] / said["standard_uncertainty_mm"]) ** 2
        assert each["share"] == pytest.approx(share, abs=1e-4)
        assert each["share"] == round(each["share"], 4)
        for number in ("sensitivity", "standard_uncertainty", "contribution_mm"):
            assert each[number] == float(f"{each[number]:.6g}")


def test_a_line_says_what_it_is_and_how_it_was_evaluated() -> None:
    """Distribution, degrees of freedom, estimate with its unit, source; and correlation only where there is one."""
    alone = line(
        "ring", 0.0004, value=38.0012, degrees_of_freedom=18, source="certificate", shape=Shape.TRIANGULAR
    )
    pair = [
        line(name, 0.1, unit="°C", sensitivity=c, shared="thermometer t", correlation=1.0)
        for name, c in (("part", -1.0), ("master", 0.5))
    ]
    ring, part, _ = document(budget((alone, *pair)))["components"]
    assert (ring["quantity"], ring["value"], ring["unit"], ring["source"]) == (
        "ring",
        38.0012,
        "mm",
        "certificate",
    )
    assert (ring["distribution"], ring["degrees_of_freedom"]) == ("triangular", 18)
    assert (ring["correlated_with"], ring["correlation"]) == (None, None)
    assert (part["unit"], part["correlated_with"], part["correlation"]) == ("°C", "thermometer t", 1.0)
    assert (part["sensitivity"], part["contribution_mm"]) == (-1.0, -0.1)


def test_what_to_improve_is_what_is_worth_it() -> None:
    """Largest share of u² first, with what makes it smaller; what shares an error is one thing; crumbs are left out."""
    thermometer = [
        line(name, 0.5, shared="thermometer t", correlation=1.0, advice="a better thermometer")
        for name in ("part", "master")
    ]
    crumbs = [line("step", math.sqrt(0.0049)), line("drift", math.sqrt(0.0051))]
    rest = math.sqrt(1 - 0.5**2)
    made = budget((*crumbs, line("ring", rest, advice="another ring"), *thermometer))
    whole = 0.01 + 0.75 + 1
    improve = document(made)["improve"]
    assert [each["quantities"] for each in improve] == [["part", "master"], ["ring"]]
    assert [each["share"] for each in improve] == [
        pytest.approx(1 / whole, abs=1e-4),
        pytest.approx(0.75 / whole, abs=1e-4),
    ]
    assert all(each["share"] == round(each["share"], 4) for each in improve), "hundredths of a percent"
    assert [each["advice"] for each in improve] == ["a better thermometer", "another ring"]
    just = document(budget((line("step", math.sqrt(0.0051)), line("ring", math.sqrt(0.9949)))))["improve"]
    assert [each["quantities"] for each in just] == [["ring"], ["step"]], "half a percent and more is said"


def test_a_budget_of_nothing_and_none_at_all_are_said_too() -> None:
    """Nothing uncertain has no shares to divide by; where none is stated, the document says why."""
    said = document(budget((line("step", 0.0),)))
    assert said["components"][0]["share"] == 0
    assert (said["uncertainty_mm"], said["improve"]) == (0, [])
    assert document(Unstated(("no ring", "no air"))) == {"stated": False, "reasons": ["no ring", "no air"]}


def member(**more: Any) -> Member:
    at = Sourced(D(20), "declared")
    made: dict[str, Any] = {
        "sequence": 7, "value_mm": D("38.010"), "gauge": "bore-1", "utc_ms": 0, "mastered": mastered(),
        "scatter": Scatter(), "part": at, "gauge_at": at, "step_mm": D("0.001"), "is_corrected": True,
    }  # fmt: skip
    return Member(**(made | more))


@pytest.mark.parametrize(
    "lost", [{"mastered": None}, {"gauge": "bore-9"}, {"mastered": mastered(masters=("ring-9",))}]
)
def test_a_reading_of_which_too_little_is_known_leaves_its_result_without(lost: dict[str, Any]) -> None:
    """A mastering, a gauge or a ring that records no longer name is the result's reason, said once."""
    entry = replace(BORE, combine=Combine.LARGEST, readings=3)
    sizes = (D("38.010"),) * 3
    made = result_budget(known(), entry, (member(), member(**lost), member(**lost)), sizes)
    assert isinstance(made, Unstated)
    assert len(made.reasons) == 1
    assert isinstance(result_budget(known(), entry, (member(),) * 3, sizes), Budget)


@pytest.mark.parametrize("combine", [Combine.MEAN, Combine.LARGEST, Combine.MEDIAN])
def test_derivation_2_gave_a_result_its_last_readings_budget(combine: Combine) -> None:
    """Records of then are derived again as they were: a mean's is of its readings, any other that of one."""
    entry = replace(BORE, combine=combine, readings=4)
    made = stated(last_readings_budget(known(), entry, member(), 4))
    of_one = of_reading(known(), entry, derivation=2, readings=4 if combine is Combine.MEAN else 1)
    assert made.standard_mm == stated(of_one).standard_mm
    alone = stated(of_reading(known(), entry, derivation=2))
    assert (made.standard_mm < alone.standard_mm) == (combine is Combine.MEAN)
    coarse = replace(
        known().gauges["bore-1"], resolution_mm=D("0.005")
    )  # counts at mastering only since then
    old = stated(last_readings_budget(known(gauges={"bore-1": coarse}), entry, member(), 4))
    steps = {each.quantity: each.standard * 12**0.5 for each in old.components}
    assert steps["resolution at mastering"] == pytest.approx(0.001)


def test_what_is_judged_by_itself_has_its_own_budget() -> None:
    """A reading that is no part of a result keeps its budget; what none is stated for has none as a result either."""
    made = stated(of_reading(known()))
    assert of_result(made, BORE) is made
    none = Unstated(("no ring",))
    for combine in Combine:
        assert of_result(none, replace(BORE, combine=combine, readings=3)) is none


@pytest.mark.parametrize(
    ("combine", "positions", "readings", "share"),
    [
        (Combine.MEAN, (), 4, 1 / 2),
        (Combine.MEAN, ("a", "b", "c", "d"), 1, 1 / 2),
        (Combine.MEAN, ("a", "b"), 2, 1 / 2),
        (Combine.SMALLEST, (), 2, 1.0),
        (Combine.LARGEST, ("a", "b", "c"), 4, 1.12945 / 2),
        (Combine.MEDIAN, ("a", "b", "c"), 1, 1.0),
        (Combine.MID_RANGE, ("a", "b"), 1, 0.5**0.5),
    ],
)
def test_a_result_takes_its_share_of_what_repeats(
    combine: Combine, positions: tuple[str, ...], readings: int, share: float
) -> None:
    """√n of a mean, of all readings; of ranks that of their places, of means at each (Teichroew, as of 3)."""
    entry = replace(BORE, combine=combine, positions=positions, readings=readings)
    made = stated(of_reading(known(), entry))
    result = stated(of_result(made, entry))
    assert result.repeats_mm == pytest.approx(0.0004 * share, rel=1e-5)
    rest = made.standard_mm**2 - made.repeats_mm**2
    assert result.standard_mm**2 == pytest.approx(rest + result.repeats_mm**2)
    noted = any("what repeats counts up to" in each for each in result.assumed)
    assert noted == (combine is Combine.LARGEST), "only where it counts more than in a mean of so many"
    assert set(made.assumed) <= set(result.assumed)


def test_one_result_is_as_uncertain_as_its_worst_reading() -> None:
    """Of readings at other steps the coarsest counts, and what repeats most, whichever was which and came when."""
    entry = replace(BORE, combine=Combine.LARGEST, readings=2)
    sizes = (D("38.010"), D("38.012"))
    coarse, fine = member(step_mm=D("0.005")), member()
    both = [stated(result_budget(known(), entry, order, sizes)) for order in ((coarse, fine), (fine, coarse))]
    alone = stated(result_budget(known(), entry, (coarse, coarse), sizes))
    assert both[0].standard_mm == both[1].standard_mm == alone.standard_mm
    station = replace(known(), gauges={"bore-1": replace(known().gauges["bore-1"], repeatability_mm=None)})
    much, little = (Scatter(squares=each, degrees_of_freedom=1) for each in (4e-6, 1e-8))
    scattered = [member(scatter=much), member(step_mm=D("0.02"), scatter=little)]
    made = stated(result_budget(station, entry, tuple(scattered), sizes))
    assert made.repeats_mm == pytest.approx(0.002), "the largest of two: all of what one reading's repeats"
    assert {each.quantity: each.standard for each in made.components}["resolution at measuring"] == (
        pytest.approx(0.02 / 12**0.5)
    )
