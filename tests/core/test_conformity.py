"""Decision rules, held against JCGM 106 and ISO 14253-1, against scipy, and against what any rule must promise."""

from decimal import Decimal as D

import pytest
import scipy.optimize
import scipy.stats
from hypothesis import given, strategies as st

from gaugepost.core.conformity import (
    SIMPLE,
    Conformity,
    Decision,
    Doubt,
    Judgement,
    Rule,
    RuleName,
    Verdict,
    acceptance_limits,
    conformance_probability,
    decide,
    judge,
    parse_rule,
    rule,
    zones,
)
from gaugepost.core.conformity.probability import exact_factor

LOWER, UPPER = D("25.000"), D("25.021")
"""25 H7 (ISO 286-1)."""
BY_FACTOR, EXACT, BY_U = (
    parse_rule(f"guarded acceptance by {by}")
    for by in ("factor 1.65", "conformance probability 95 %", "expanded uncertainty")
)
REJECTING = [rule(name) for name in RuleName if name.startswith("guarded rejection")]
ACCEPTING = [rule(name) for name in RuleName if name.startswith("guarded acceptance")]
RULES = [SIMPLE, *ACCEPTING, *REJECTING]


def found(
    by: Rule, value: D, doubt: Doubt | None, lower: D | None = LOWER, upper: D | None = UPPER
) -> Judgement:
    return decide(by, judge(value, lower, upper), value, lower, upper, doubt)


@pytest.mark.parametrize(
    ("u", "inside", "outside"),
    [
        (0.001, ("25.00165", "25.01935"), ("24.99835", "25.02265")),
        (0.002, ("25.00330", "25.01770"), ("24.99670", "25.02430")),
        (0.004, ("25.00660", "25.01440"), ("24.99340", "25.02760")),
    ],
)
def test_what_a_factor_of_1_65_proves(u: float, inside: tuple[str, str], outside: tuple[str, str]) -> None:
    """ISO 14253-1:2017's default guard band, 1.65·u on either side of each limit of 25 H7 (derived)."""
    made = zones(BY_FACTOR, LOWER, UPPER, Doubt(u))
    assert (made.lower_mm, made.upper_mm) == tuple(map(D, inside))
    assert (made.below_mm, made.above_mm) == tuple(map(D, outside))
    hair = D("0.000001")
    for edge, inwards in zip(map(D, inside), (hair, -hair), strict=True):
        assert found(BY_FACTOR, edge, Doubt(u)).decision is Decision.ACCEPT
        assert found(BY_FACTOR, edge - inwards, Doubt(u)).decision is Decision.UNDECIDED
    for edge, inwards in zip(map(D, outside), (hair, -hair), strict=True):
        assert found(BY_FACTOR, edge, Doubt(u)).decision is Decision.UNDECIDED
        assert found(BY_FACTOR, edge - inwards, Doubt(u)).decision is Decision.REJECT


@pytest.mark.parametrize(
    ("value", "probability"),
    [("25.0195", "0.93319"), ("25.0205", "0.69146"), ("25.0210", "0.50000"), ("25.0215", "0.30854")],
)
@pytest.mark.parametrize("by", RULES, ids=str)
def test_the_conformance_probability_is_stated_whatever_the_rule(
    by: Rule, value: str, probability: str
) -> None:
    """Conformance probabilities near the upper limit of 25 H7 at u = 1 µm (derived from the normal distribution)."""
    said = found(by, D(value), Doubt(0.001)).probability
    assert said is not None
    assert round(said, 5) == D(probability)


def test_a_limit_below_zero_is_like_any_other() -> None:
    """Upper limit -5.40 V, value -5.47 V, u = 0.05 V: 0.92 (JCGM 106:2012, 7.3; inputs from memory)."""
    assert round(conformance_probability(D("-5.47"), None, D("-5.40"), Doubt(0.05)), 2) == 0.92
    assert conformance_probability(D("-5.47"), None, None, Doubt(0.05)) == 1  # no limit is exceeded


def test_a_guard_band_of_u_is_two_standard_uncertainties() -> None:
    """At the acceptance limit: 0.97725 with w = U = 2u, 0.50 with simple acceptance (JCGM 106:2012, clause 8)."""
    limits = acceptance_limits(BY_U, LOWER, UPPER, Doubt(0.001))
    assert limits == (D("25.002"), D("25.019"))
    assert round(conformance_probability(D("25.019"), LOWER, UPPER, Doubt(0.001)), 5) == 0.97725
    assert acceptance_limits(SIMPLE, LOWER, UPPER, Doubt(0.001)) == (LOWER, UPPER)
    assert round(conformance_probability(UPPER, LOWER, UPPER, Doubt(0.001)), 5) == 0.5


def test_u_is_the_one_that_is_stated() -> None:
    """The guard band by U is the expanded uncertainty with its own coverage factor, and a multiple of it where said."""
    doubt = Doubt(0.001, 8, coverage_factor=2.306)
    assert acceptance_limits(BY_U, LOWER, None, doubt) == (D("25.002306"), None)
    half = parse_rule("guarded acceptance by expanded uncertainty 0.5")
    assert acceptance_limits(half, LOWER, None, doubt) == (D("25.001153"), None)


def test_the_exact_factor_with_both_limits_in_play() -> None:
    """At T/u = 4 a factor of 1.65 gives 0.94114 and 95 % takes 1.79621; at T/u = 3.5 nothing reaches it (derived)."""
    factor = exact_factor(0.95, None, 4.0)
    assert factor is not None
    assert round(factor, 5) == 1.79621
    upper = D(4)
    assert round(conformance_probability(upper - D("1.65"), D(0), upper, Doubt(1.0)), 5) == 0.94114
    assert exact_factor(0.95, None, 3.5) is None
    assert round(conformance_probability(D("1.75"), D(0), D("3.5"), Doubt(1.0)), 4) == 0.9199
    assert exact_factor(0.95, None, None) == pytest.approx(1.644854, abs=5e-7)


def test_where_nothing_can_prove_conformity_it_is_said() -> None:
    """At T/u = 3.5 the exact rule has no acceptance limits: even the middle is undecided, and it says why."""
    middle = found(EXACT, D("25.0105"), Doubt(0.006))
    assert (middle.decision, middle.conformity) == (Decision.UNDECIDED, Conformity.NEITHER)
    assert (middle.lower_acceptance_mm, middle.upper_acceptance_mm, middle.side) == (None, None, None)
    assert middle.reasons == (
        "nothing can prove conformity: the tolerance is only 3.5 standard uncertainties",
    )
    assert found(EXACT, D("25.050"), Doubt(0.006)).decision is Decision.REJECT
    beyond = found(EXACT, D("25.022"), Doubt(0.006))
    assert (beyond.decision, beyond.side) == (Decision.UNDECIDED, Verdict.OVERSIZE)


@pytest.mark.parametrize(
    ("doubt", "reasons"),
    [
        (Doubt(0.004), ()),
        (Doubt(0.0042), ()),
        (
            Doubt(0.0043),
            ("the tolerance is only 4.88 standard uncertainties: a factor of 1.65 proves 95.0%, not 95.1%",),
        ),
        (
            Doubt(0.00525),
            ("the tolerance is only 4 standard uncertainties: a factor of 1.65 proves 94.1%, not 95.1%",),
        ),
        (
            Doubt(0.001, 5),
            ("the uncertainty has only 5 degrees of freedom: a factor of 1.65 proves 92.0%, not 95.1%",),
        ),
        (Doubt(0.001, 50), ()),
    ],
)
def test_a_fixed_factor_warns_where_it_is_not_what_it_stands_for(
    doubt: Doubt, reasons: tuple[str, ...]
) -> None:
    """Below T/u = 5, and with few degrees of freedom, 1.65 is not 95 %: that is said; the exact rule needs no word."""
    assert found(BY_FACTOR, D("25.0105"), doubt).reasons == reasons
    assert found(EXACT, D("25.0105"), doubt).reasons == ()


def test_guard_bands_are_rounded_away_from_the_limits() -> None:
    """1.65 · 0.012 345 7 µm is 0.020 370 405 µm: no proof rests on the digits below 1e-9 mm that are left out."""
    made = zones(BY_FACTOR, LOWER, UPPER, Doubt(0.0000123457))
    assert (made.lower_mm, made.upper_mm) == (D("25.000020371"), D("25.020979629"))
    assert (made.below_mm, made.above_mm) == (D("24.999979629"), D("25.021020371"))


def test_few_degrees_of_freedom_widen_the_exact_guard_band() -> None:
    """With 5 degrees of freedom 95 % one-sided takes 2.015 standard uncertainties (Student's t, any printed table)."""
    few = acceptance_limits(EXACT, LOWER, None, Doubt(0.001, 5))
    assert few is not None
    assert few[0] is not None
    assert round(few[0], 6) == D("25.002015")
    assert scipy.stats.t.ppf(0.95, 5) == pytest.approx(2.015048, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "decision", "conformity"),
    [
        ("24.998", Decision.REJECT, Conformity.NOT),
        ("24.999", Decision.ACCEPT, Conformity.NEITHER),
        ("25.0105", Decision.ACCEPT, Conformity.VERIFIED),
        ("25.022", Decision.ACCEPT, Conformity.NEITHER),
        ("25.0227", Decision.REJECT, Conformity.NOT),
    ],
)
def test_guarded_rejection_takes_what_is_not_proved_outside(
    value: str, decision: Decision, conformity: Conformity
) -> None:
    """Its acceptance limits lie outside the drawing's (JCGM 106:2012, 8.3.3); what is proved is told all the same."""
    said = found(parse_rule("guarded rejection by factor 1.65"), D(value), Doubt(0.001))
    assert (said.decision, said.conformity) == (decision, conformity)
    assert (said.lower_acceptance_mm, said.upper_acceptance_mm) == (D("24.99835"), D("25.02265"))


def test_guarded_rejection_stands_where_nothing_can_be_proved_inside() -> None:
    """A tolerance smaller than the uncertainty proves no conformity; what is surely outside is still rejected."""
    by = parse_rule("guarded rejection by factor 1.65")
    middle = found(by, D("25.0105"), Doubt(0.03))
    assert (middle.decision, middle.reasons) == (Decision.ACCEPT, ())
    assert found(by, D("25.0705"), Doubt(0.03)).decision is Decision.ACCEPT
    assert found(by, D("25.0706"), Doubt(0.03)).decision is Decision.REJECT


def at_fault(value: str) -> Verdict | None:
    """Return the limit that a value is beyond."""
    return Verdict.UNDERSIZE if D(value) < LOWER else Verdict.OVERSIZE if D(value) > UPPER else None


@pytest.mark.parametrize("value", ["24.9", "25.0105", "25.1"])
@pytest.mark.parametrize("by", [*ACCEPTING, *REJECTING], ids=str)
def test_a_guarded_rule_decides_nothing_without_an_uncertainty(by: Rule, value: str) -> None:
    """Where no uncertainty is known nothing is accepted, or rejected, by a rule that needs one: undecided, and why."""
    said = found(by, D(value), None)
    assert (said.decision, said.conformity, said.probability) == (Decision.UNDECIDED, None, None)
    assert said.side is at_fault(value)
    assert said.reasons == (f"{by.name} needs an uncertainty, and none is known",)


@pytest.mark.parametrize("value", ["24.9999", "25", "25.021", "25.0211"])
@pytest.mark.parametrize("doubt", [None, Doubt(0.001), Doubt(1.0, 3)])
def test_simple_acceptance_heeds_the_limits_alone(value: str, doubt: Doubt | None) -> None:
    """Simple acceptance takes the limits as they are, whatever the uncertainty (JCGM 106:2012, 8.2)."""
    said = found(SIMPLE, D(value), doubt)
    assert said.side is at_fault(value)
    assert said.decision is (Decision.ACCEPT if said.side is None else Decision.REJECT)


@pytest.mark.parametrize(
    ("value", "side", "reason"),
    [
        ("24.9990", Verdict.UNDERSIZE, "in the guard band at the lower limit"),
        ("25.0010", Verdict.UNDERSIZE, "in the guard band at the lower limit"),
        ("25.0200", Verdict.OVERSIZE, "in the guard band at the upper limit"),
        ("25.0220", Verdict.OVERSIZE, "in the guard band at the upper limit"),
    ],
)
def test_what_is_undecided_says_which_limit_it_is_about(value: str, side: Verdict, reason: str) -> None:
    """Whoever must decide what to do next knows on which side the size is in doubt."""
    said = found(BY_FACTOR, D(value), Doubt(0.001))
    assert (said.side, said.reasons) == (side, (reason,))


@pytest.mark.parametrize("freedom", [None, 1.0, 2.5, 8.0, 33.3, 2000.0])
def test_probabilities_are_those_of_scipy(freedom: float | None) -> None:
    """Over a wide grid of uncertainties and values the conformance probability is scipy's, to the digits kept."""
    lower, upper = 40.0, 40.025
    spread = scipy.stats.norm if freedom is None else scipy.stats.t(freedom)
    for u in (0.0003, 0.002, 0.01, 0.08):
        for steps in range(-40, 41):
            value = 40.0125 + steps * 0.001
            expected = spread.cdf((upper - value) / u) - spread.cdf((lower - value) / u)
            given_d = D(repr(round(value, 4)))
            assert conformance_probability(given_d, D("40"), D("40.025"), Doubt(u, freedom)) == pytest.approx(
                expected, rel=1e-6, abs=1e-12
            )
            one = conformance_probability(given_d, D("40"), None, Doubt(u, freedom))
            assert one == pytest.approx(spread.sf((lower - value) / u), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("side", [1, -1])
def test_what_is_hardly_probable_keeps_its_digits(side: int) -> None:
    """6.5 standard uncertainties outside of either limit: Φ(-6.5), to six digits; what is below 1e-12 is told as 0."""
    middle, half = D("25.0105"), D("0.0105")
    value = middle + side * (half + D("0.0065"))
    said = found(SIMPLE, value, Doubt(0.001)).probability
    assert said == D(f"{scipy.stats.norm.cdf(-6.5):.6g}")
    assert found(SIMPLE, middle + side * (half + D("0.0071")), Doubt(0.001)).probability == 0
    assert found(SIMPLE, middle + side * (half + D("0.007")), Doubt(0.001)).probability == D("1.27981E-12")


@pytest.mark.parametrize("freedom", [None, 2.0, 7.5, 40.0])
@pytest.mark.parametrize("probability", [0.8, 0.95, 0.99, 0.999])
def test_the_exact_factor_is_the_root_that_scipy_finds(freedom: float | None, probability: float) -> None:
    """The exact guard band solves for its conformance probability as an independent root finder does, or has none."""
    spread = scipy.stats.norm if freedom is None else scipy.stats.t(freedom)
    for wide in (0.5, 2.0, 2.7, 3.3, 4.0, 4.7, 6.0, 9.0, 15.0, 60.0):

        def lacking(factor: float, wide: float = wide) -> float:
            return float(spread.cdf(wide - factor) - spread.cdf(-factor) - probability)

        factor = exact_factor(probability, freedom, wide)
        if lacking(wide / 2) < 0:
            assert factor is None
        else:
            assert factor == pytest.approx(scipy.optimize.brentq(lacking, 0, wide / 2, xtol=1e-13), rel=1e-9)


SIZES = st.decimals(min_value=39, max_value=41, places=6)
LIMITS = st.tuples(st.none() | SIZES, st.none() | SIZES).filter(lambda pair: pair != (None, None))
FREEDOM = st.none() | st.floats(0.5, 500)
UNCERTAINTY = st.floats(1e-6, 0.5)
ANY_RULE = st.sampled_from(RULES) | st.builds(
    rule,
    st.sampled_from([name for name in RuleName if name.endswith("probability")]),
    st.decimals(min_value="0.501", max_value="0.9999", places=4),
) | st.builds(
    rule,
    st.sampled_from([name for name in RuleName if name.endswith(("factor", "uncertainty"))]),
    st.decimals(min_value="0.1", max_value=9, places=2),
)  # fmt: skip


def ordered(pair: tuple[D | None, D | None]) -> tuple[D | None, D | None]:
    one, other = pair
    if one is None or other is None:
        return pair
    return min(one, other), max(one, other)


@given(ANY_RULE, SIZES, LIMITS, UNCERTAINTY, UNCERTAINTY, FREEDOM)
def test_more_uncertainty_never_verifies_more(
    by: Rule, value: D, pair: tuple[D | None, D | None], one: float, other: float, freedom: float | None
) -> None:
    """What is proved with a larger uncertainty is proved with a smaller one too: conformity, nonconformity, accept."""
    lower, upper = ordered(pair)
    sure, doubtful = (
        found(by, value, Doubt(u, freedom), lower, upper) for u in (min(one, other), max(one, other))
    )
    if doubtful.conformity is not Conformity.NEITHER:
        assert sure.conformity is doubtful.conformity
    if doubtful.decision is Decision.ACCEPT and by in ACCEPTING:
        assert sure.decision is Decision.ACCEPT


@given(st.sampled_from(RULES), SIZES, LIMITS, UNCERTAINTY, st.floats(0.5, 500), st.floats(0.5, 500))
def test_fewer_observations_never_verify_more(
    by: Rule, value: D, pair: tuple[D | None, D | None], u: float, one: float, other: float
) -> None:
    """What is proved with few degrees of freedom is proved with more of them too."""
    lower, upper = ordered(pair)
    few, many = (found(by, value, Doubt(u, nu), lower, upper) for nu in (min(one, other), max(one, other)))
    if few.conformity is not Conformity.NEITHER:
        assert many.conformity is few.conformity


@given(ANY_RULE, SIZES, LIMITS, st.none() | UNCERTAINTY, FREEDOM)
def test_a_mirror_changes_sides_and_nothing_else(
    by: Rule, value: D, pair: tuple[D | None, D | None], u: float | None, freedom: float | None
) -> None:
    """What is undersize for a bore is oversize for a shaft: all that is decided is the same on the other side."""
    lower, upper = ordered(pair)
    doubt = None if u is None else Doubt(u, freedom)
    here = found(by, value, doubt, lower, upper)
    there = found(
        by, 80 - value, doubt, None if upper is None else 80 - upper, None if lower is None else 80 - lower
    )
    assert (here.decision, here.conformity) == (there.decision, there.conformity)
    assert here.probability == pytest.approx(there.probability, abs=D("1E-6"))
    swapped = {Verdict.UNDERSIZE: Verdict.OVERSIZE, Verdict.OVERSIZE: Verdict.UNDERSIZE, None: None}
    assert here.side is swapped[there.side]
    for mine, other in (
        (here.lower_acceptance_mm, there.upper_acceptance_mm),
        (here.upper_acceptance_mm, there.lower_acceptance_mm),
    ):
        assert (mine is None) == (other is None)
        assert mine is None or other is None or mine == 80 - other


@given(SIZES, LIMITS, UNCERTAINTY, FREEDOM)
def test_conformity_follows_the_probability(
    value: D, pair: tuple[D | None, D | None], u: float, freedom: float | None
) -> None:
    """Under the exact rule conformity is verified where, and only where, 95 % are reached."""
    lower, upper = ordered(pair)
    said = found(EXACT, value, Doubt(u, freedom), lower, upper)
    probability = conformance_probability(value, lower, upper, Doubt(u, freedom))
    if probability > 0.95 + 1e-6:
        assert said.conformity is Conformity.VERIFIED
    if probability < 0.95 - 1e-6:
        assert said.conformity is not Conformity.VERIFIED
    if said.conformity is Conformity.NOT:
        assert probability < 0.05 + 1e-6


def test_guard_bands_that_meet_leave_one_size() -> None:
    """Where both guard bands meet in the middle that one size proves conformity, and a hair more uncertainty, none."""
    by = parse_rule("guarded acceptance by factor 2")
    assert acceptance_limits(by, LOWER, UPPER, Doubt(0.00525)) == (D("25.0105"), D("25.0105"))
    assert acceptance_limits(by, LOWER, UPPER, Doubt(0.0052501)) is None


def test_an_uncertainty_has_six_digits() -> None:
    """What the seventh digit of an uncertainty says moves no acceptance limit: it is kept to six, like its record."""
    by = parse_rule("guarded acceptance by factor 2")
    assert zones(by, LOWER, UPPER, Doubt(0.001234564)) == zones(by, LOWER, UPPER, Doubt(0.00123456))
    assert zones(by, LOWER, UPPER, Doubt(0.00123457)) != zones(by, LOWER, UPPER, Doubt(0.00123456))


@pytest.mark.parametrize("wrong", [0.0, -1.0, float("inf"), float("nan")])
def test_what_is_no_uncertainty_proves_nothing(wrong: float) -> None:
    """An uncertainty of nothing would prove everything: it is refused."""
    with pytest.raises(ValueError, match="finite numbers above 0"):
        Doubt(wrong)
    with pytest.raises(ValueError, match="finite numbers above 0"):
        Doubt(0.001, wrong)
