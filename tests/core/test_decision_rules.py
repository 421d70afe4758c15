"""Decision rules as a station file says them: with the standard's number or one of their own, and what that proves."""

from decimal import Decimal as D

import pytest
import scipy.stats

from gaugepost.core.conformity import SIMPLE, Doubt, Rule, RuleName, parse_rule, rule, zones
from gaugepost.core.errors import ValueRefused
from tests.core.test_conformity import BY_FACTOR, LOWER, UPPER, found

FACTOR, PROBABILITY, UNCERTAINTY = (
    tuple(f"guarded {what} by {by}" for what in ("acceptance", "rejection"))
    for by in ("factor", "conformance probability", "expanded uncertainty")
)


def test_a_rule_without_a_number_has_the_standards() -> None:
    """1.65 and 95 % are ISO 14253-1:2017's, one expanded uncertainty is JCGM 106:2012's (8.3.2.2)."""
    assert parse_rule("simple acceptance") is rule(RuleName.SIMPLE_ACCEPTANCE) is SIMPLE
    assert (SIMPLE.parameter, str(SIMPLE)) == (None, "simple acceptance")
    for names, number in ((FACTOR, "1.65"), (PROBABILITY, "0.95"), (UNCERTAINTY, "1")):
        for name in names:
            assert parse_rule(name) == rule(RuleName(name)) == Rule(RuleName(name), D(number))


@pytest.mark.parametrize(
    ("text", "parameter"),
    [
        *((f"{name} {number}", number) for name in FACTOR for number in ("0.01", "1.65", "10")),
        *((f"{name} {number}", number) for name in UNCERTAINTY for number in ("0.5", "10")),
        *((f"{name} {number}", number) for name in PROBABILITY for number in ("0.501", "0.95", "0.9999")),
        *((f"{name} 95 %", "0.95") for name in PROBABILITY),
        *((f"{name}, 99.73%", "0.9973") for name in PROBABILITY),
        ("guarded  acceptance by\tfactor,2", "2"),
    ],
)
def test_a_rule_is_what_it_says(text: str, parameter: str) -> None:
    """A rule's number is read as it is written, a percentage as what it means, and it says itself so."""
    found = parse_rule(text)
    assert found.parameter == D(parameter)
    assert found.needs_uncertainty
    assert parse_rule(str(found)) == found


@pytest.mark.parametrize(
    ("text", "finding"),
    [
        ("simple acceptance 1", "simple acceptance has no number"),
        ("guarded", "is not a decision rule"),
        ("guarded acceptance by", "is not a decision rule"),
        ("Simple acceptance", "is not a decision rule"),
        ("", "is not a decision rule"),
        *(
            (f"{name} {number}", "no width of a guard band")
            for name in FACTOR
            for number in ("0", "-1", "10.01")
        ),
        *(
            (f"{name} {number}", "no width of a guard band")
            for name in UNCERTAINTY
            for number in ("0", "10.01")
        ),
        *(
            (f"{name} {number}", "proves nothing, or can't be reached")
            for name in PROBABILITY
            for number in ("0.5", "0.5000 ", "1", "1.0", "95", "50 %", "100 %", "-0.95")
        ),
        *((f"{name} 95 %", "has a percentage") for name in (*FACTOR, *UNCERTAINTY)),
        ("guarded acceptance by factor 1e1", "not a plain number"),
        ("guarded acceptance by factor NaN", "not a plain number"),
    ],
)
def test_a_number_that_a_rule_can_not_have_is_refused(text: str, finding: str) -> None:
    """Half a probability proves nothing and one is out of reach; a guard band has some width: the hint says which."""
    with pytest.raises(ValueRefused, match=finding) as refused:
        parse_rule(text)
    assert "write" in refused.value.hint
    for written in refused.value.hint.split('"')[1:2]:
        assert parse_rule(written).name in RuleName


@pytest.mark.parametrize(
    ("probability", "z"), [("80", "0.84"), ("90", "1.28"), ("95", "1.64"), ("99", "2.33"), ("99.9", "3.09")]
)
@pytest.mark.parametrize("name", PROBABILITY)
def test_a_guard_band_is_as_wide_as_its_probability_asks(name: str, probability: str, z: str) -> None:
    """z by conformance probability (JCGM 106:2012, 7.3, Table 1; inputs from memory), on both sides of a limit."""
    made = zones(parse_rule(f"{name} {probability} %"), LOWER, None, Doubt(0.001))
    exact = D(f"{scipy.stats.norm.ppf(float(probability) / 100):.8f}")
    assert abs(exact - D(z)) <= D("0.005")
    assert made.lower_mm is not None and made.below_mm is not None
    for width in (made.lower_mm - LOWER, LOWER - made.below_mm):
        assert 0 <= width - exact / 1000 < D("2E-9")  # rounded away from the limit


@pytest.mark.parametrize("limits", [(LOWER, None), (None, UPPER), (LOWER, D("25.1"))])
def test_few_observations_are_remarked_on_whatever_limits_there_are(
    limits: tuple[D | None, D | None],
) -> None:
    """One limit or two, a factor on five degrees of freedom proves Student's t, not the normal: T5(1.65) is 0.92."""
    (reason,) = found(BY_FACTOR, D("25.0105"), Doubt(0.001, 5), *limits).reasons
    assert reason == "the uncertainty has only 5 degrees of freedom: a factor of 1.65 proves 92.0%, not 95.1%"
    assert round(scipy.stats.t.cdf(1.65, 5), 3) == 0.92


def test_a_factor_that_proves_nearly_what_it_stands_for_is_not_remarked_on() -> None:
    """Three standard uncertainties at 20 degrees of freedom prove 99.6 % where 99.9 % are meant: no word is lost."""
    by = parse_rule("guarded acceptance by factor 3")
    assert scipy.stats.norm.cdf(3) - scipy.stats.t.cdf(3, 20) < 0.005
    assert found(by, D("25.0105"), Doubt(0.001, 20)).reasons == ()
