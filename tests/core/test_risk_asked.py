"""A question about a decision rule, in words: whose rule answers, what is needed, and what can't be meant."""

from __future__ import annotations

from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.conformity import SIMPLE, Decision, Doubt, cautions, parse_rule
from gaugepost.core.conformity.asked import doubt_from, risk_answer
from gaugepost.core.conformity.risk import Process, conforming_given, global_risks
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import Unit

LIMITS = D("38.000"), D("38.025")
ASKED = {"standard_uncertainty": "0.9 µm", "process_mean": "38.012 mm", "process_spread": "4 µm"}
GUARDED = parse_rule("guarded acceptance by factor 1.65")
BY_U = "guarded acceptance by expanded uncertainty"


def answer(
    limits: tuple[D | None, D | None] = LIMITS, unit: Unit = Unit.MM, own: Any = None, **asked: str
) -> dict[str, Any]:
    return risk_answer(limits, unit, own, ASKED | asked)


def test_what_is_told_as_accepted_is_accepted() -> None:
    """Acceptance limits are rounded inwards: 1.65·u is 1.4949 µm, and 38.00149 would be refused."""
    told = answer(own=GUARDED, standard_uncertainty="0.906 µm")
    assert (told["lower_acceptance"], told["upper_acceptance"]) == ("38.00150", "38.02350")
    for limit in ("38.00150 mm", "38.02350 mm"):
        assert answer(own=GUARDED, standard_uncertainty="0.906 µm", value=limit)["decision"] == "accept"
    assert answer(own=GUARDED, standard_uncertainty="0.906 µm", value="38.00149 mm")["decision"] != "accept"


def test_an_uncertainty_in_words() -> None:
    """A length with its unit; degrees of freedom without end and k = 2 where nothing else is said."""
    assert doubt_from("0.9 µm") == Doubt(0.0009, None, 2.0)
    assert doubt_from("40 µin", "12.5", "2.1") == Doubt(0.001016, 12.5, 2.1)
    assert doubt_from("1 µm", "0.5", "0.5") == Doubt(0.001, 0.5, 0.5)


@pytest.mark.parametrize(
    ("words", "finding"),
    [
        (("0 µm",), "'0 µm' is not greater than zero"),
        (("-1 µm",), "'-1 µm' is not greater than zero"),
        (("0.9",), "'0.9' has no unit"),
        (("1 µm", "0"), "0 is not degrees of freedom"),
        (("1 µm", "-3"), "-3 is not degrees of freedom"),
        (("1 µm", None, "0"), "0 is not a coverage factor"),
        (("1 µm", None, "-2"), "-2 is not a coverage factor"),
    ],
)
def test_what_is_no_uncertainty(words: tuple[str, ...], finding: str) -> None:
    """Nothing but a number above zero; each says what to write."""
    with pytest.raises(ValueRefused) as refused:
        doubt_from(*words)
    assert finding in str(refused.value)
    assert refused.value.hint


@pytest.mark.parametrize(
    ("own", "said", "rule"),
    [
        (None, None, GUARDED),  # ISO 14253-1:2017's default
        (SIMPLE, None, SIMPLE),
        (SIMPLE, str(GUARDED), GUARDED),
        (GUARDED, "simple acceptance", SIMPLE),
    ],
)
def test_whose_rule_answers(own: Any, said: str | None, rule: Any) -> None:
    """The one that is named, else the characteristic's own, else the standard's; all numbers are that rule's."""
    told = risk_answer(LIMITS, Unit.MM, own, ASKED | {"rule": said})
    risks = global_risks(rule, *LIMITS, Doubt(0.0009), Process(D("38.012"), 0.004))
    assert told["rule"] == str(rule)
    assert told["consumers_risk"] == pytest.approx(risks.consumer, rel=1e-5)
    assert told["producers_risk"] == pytest.approx(risks.producer, rel=1e-5)
    assert told["nonconforming"] == pytest.approx(risks.nonconforming, rel=1e-5)
    assert told["accepted"] == pytest.approx(risks.accepted, rel=1e-5)
    assert told["nonconforming_of_accepted"] == pytest.approx(risks.consumer / risks.accepted, rel=1e-5)
    assert "decision" not in told


def test_limits_are_told_in_the_drawing_s_unit() -> None:
    """In mm to 0.01 µm, in inches to a microinch; acceptance limits 1.65·u inside, rounded inwards; null for none."""
    told = answer(standard_uncertainty="1 µm")
    assert (told["unit"], told["lower"], told["upper"]) == ("mm", "38.00000", "38.02500")
    assert (told["lower_acceptance"], told["upper_acceptance"]) == ("38.00165", "38.02335")
    inches = answer((None, D("25.4")), Unit.INCH, process_mean="0.9995 in")
    assert (inches["unit"], inches["lower"], inches["upper"]) == ("in", None, "1.000000")
    assert (inches["lower_acceptance"], inches["upper_acceptance"]) == (None, "0.999941")


def test_where_nothing_can_be_accepted_it_is_said() -> None:
    """Limits closer than two guard bands leave no acceptance limits, and no share of what was accepted."""
    told = answer((D("38.000"), D("38.002")))
    assert (told["lower_acceptance"], told["upper_acceptance"]) == (None, None)
    assert told["accepted"] == 0
    assert told["nonconforming_of_accepted"] is None
    assert told["cautions"] == list(cautions(GUARDED, D("38.000"), D("38.002"), Doubt(0.0009)))
    assert told["cautions"]


def test_degrees_of_freedom_and_coverage_factor_count() -> None:
    """A guard band of U is k·u wide: with k = 3 it is 2.7 µm; few degrees of freedom widen the risk."""
    wide = answer(rule=BY_U, coverage_factor="3")
    assert (wide["lower_acceptance"], wide["upper_acceptance"]) == ("38.00270", "38.02230")
    few = answer(degrees_of_freedom="2", process_mean="38.024 mm", value="38.0245 mm")
    many = answer(process_mean="38.024 mm", value="38.0245 mm")
    assert few["specific_consumers_risk"] > many["specific_consumers_risk"]


def test_one_piece_s_risk() -> None:
    """Its decision, and the risks of accepting and of rejecting it, which are all there is together."""
    told = answer(value="38.0242 mm")
    conforming = conforming_given(D("38.0242"), *LIMITS, Doubt(0.0009), Process(D("38.012"), 0.004))
    assert told["decision"] == Decision.UNDECIDED.value
    assert type(told["decision"]) is str
    assert told["specific_producers_risk"] == pytest.approx(conforming, rel=1e-5)
    assert told["specific_consumers_risk"] == pytest.approx(1 - conforming, rel=1e-4)
    assert answer(value="38.012 mm")["decision"] == "accept"
    assert answer(value="38.030 mm")["decision"] == "reject"


@pytest.mark.parametrize("missing", ASKED)
def test_what_is_missing_is_named(missing: str) -> None:
    """Each length that the question needs, with how to write one."""
    with pytest.raises(ValueRefused, match=f"{missing} is missing") as refused:
        risk_answer(LIMITS, Unit.MM, None, {**ASKED, missing: None})
    assert "µm" in refused.value.hint


@pytest.mark.parametrize(
    ("asked", "finding"),
    [
        ({"process_spread": "0 mm"}, "'0 mm' is not greater than zero"),
        ({"process_mean": "38.012"}, "'38.012' has no unit"),
        ({"rule": "guarded"}, "'guarded' is not a decision rule"),
        ({"value": "38.02"}, "'38.02' has no unit"),
        (
            {
                "value": "0.9 mm",
                "degrees_of_freedom": "400",
                "standard_uncertainty": "0.1 µm",
                "process_spread": "0.5 µm",
            },
            "no piece of a process about 38.012 mm shows 0.9 mm",
        ),
    ],
)
def test_what_can_not_be_meant(asked: dict[str, str], finding: str) -> None:
    """A process that could never make the piece is a mistake in its figures, and said so."""
    with pytest.raises(ValueRefused) as refused:
        risk_answer(LIMITS, Unit.MM, None, ASKED | asked)
    assert finding in str(refused.value)
    assert refused.value.hint
