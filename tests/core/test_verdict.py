"""Undersize, in limits or oversize: held against trade practice, ASTM E29 and the plain meaning of a limit."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, strategies as st

from gaugepost.core.conformity import Decision, Verdict, decide_simple, deviation, judge
from gaugepost.core.tolerance import parse_limits

LIMIT = st.none() | st.decimals(min_value=-10, max_value=10, places=4)


@pytest.mark.parametrize(
    ("inch", "verdict"),
    [
        ("1.496", "undersize"),
        ("1.505", "oversize"),
        ("1.501", "in-limits"),
        ("1.500", "in-limits"),
        ("1.503", "in-limits"),
    ],
)
def test_a_bore_of_an_inch_and_a_half(inch: str, verdict: str) -> None:
    """A bore of 1.500 in +0.003/-0 is judged as any machinist would (common practice, no source)."""
    limits = parse_limits("1.500 in +0.003/-0")
    assert judge(Decimal(inch) * Decimal("25.4"), limits.lower_mm, limits.upper_mm) == verdict


@pytest.mark.parametrize("value", ["25.0214", "25.0216"])
def test_the_value_is_judged_unrounded(value: str) -> None:
    """The absolute method of ASTM E29 rejects 25.0214 against 25.021, which rounding to the limit would pass."""
    verdict = judge(Decimal(value), Decimal("25.000"), Decimal("25.021"))
    assert (verdict, decide_simple(verdict)) == (Verdict.OVERSIZE, Decision.REJECT)


@given(st.decimals(min_value=-10, max_value=10, places=4), LIMIT, LIMIT)
def test_only_a_value_beyond_a_limit_is_out(
    value: Decimal, one: Decimal | None, other: Decimal | None
) -> None:
    """A value is out exactly when it is beyond a limit that is there; without any limit there is no verdict."""
    lower, upper = (one, other) if one is None or other is None else (min(one, other), max(one, other))
    verdict = judge(value, lower, upper)
    assert (verdict is Verdict.NOT_JUDGED) == (lower is None and upper is None)
    assert (verdict is Verdict.UNDERSIZE) == (lower is not None and Fraction(value) < Fraction(lower))
    assert (verdict is Verdict.OVERSIZE) == (upper is not None and Fraction(value) > Fraction(upper))


def test_a_limit_belongs_to_the_inside() -> None:
    """A value equal to a limit is in limits, and one part in 10^20 beyond it is not (common practice, no source)."""
    lower, upper, hair = Decimal("40.009"), Decimal("40.025"), Decimal("1E-20")
    assert judge(lower, lower, upper) is judge(upper, lower, upper) is Verdict.IN_LIMITS
    assert judge(Decimal("40.02500"), lower, upper) is Verdict.IN_LIMITS
    assert judge(lower - hair, lower, upper) is Verdict.UNDERSIZE
    assert judge(upper + hair, lower, upper) is Verdict.OVERSIZE


@pytest.mark.parametrize(
    ("nominal", "lower", "upper", "expected"),
    [
        ("40", "40.009", "40.025", "0.018"),
        (None, "40.009", "40.026", "0.0005"),
        (None, "40.009", None, "0.009"),
        (None, None, "40.026", "-0.008"),
        ("40", None, None, "0.018"),
    ],
)
def test_a_deviation_counts_from_what_the_drawing_names(
    nominal: str | None, lower: str | None, upper: str | None, expected: str
) -> None:
    """The deviation of 40.018 counts from the nominal, else from the middle of the limits, else from the only one."""
    parts = (None if text is None else Decimal(text) for text in (nominal, lower, upper))
    assert deviation(Decimal("40.018"), *parts) == Decimal(expected)


def test_nothing_to_count_from_is_no_deviation() -> None:
    """Without nominal and limits there is no deviation."""
    assert deviation(Decimal(40), None, None, None) is None


@pytest.mark.parametrize(
    ("verdict", "decision"),
    [
        (Verdict.UNDERSIZE, Decision.REJECT),
        (Verdict.IN_LIMITS, Decision.ACCEPT),
        (Verdict.OVERSIZE, Decision.REJECT),
        (Verdict.NOT_JUDGED, None),
    ],
)
def test_simple_acceptance_follows_the_limits(verdict: Verdict, decision: Decision | None) -> None:
    """Simple acceptance takes what is in limits and rejects what is not (JCGM 106:2012, 8.2); unjudged is neither."""
    assert decide_simple(verdict) is decision


def test_the_words_are_the_published_ones() -> None:
    """Verdicts and decisions read as the record's vocabulary has them."""
    assert [*Verdict] == ["undersize", "in-limits", "oversize", "not-judged"]
    assert [*Decision] == ["accept", "reject", "undecided"]
