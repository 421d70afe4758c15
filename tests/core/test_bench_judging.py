"""What a value's record says of it: verdict, decision, conformity, acceptance limits, and what can still be done."""

from dataclasses import replace
from decimal import Decimal as D

import pytest
from hypothesis import given, strategies as st

from gaugepost.core.bench.judging import judged
from gaugepost.core.conformity import SIMPLE, Doubt, Rule, RuleName, Verdict, parse_rule, rule
from gaugepost.core.quantity import Unit, parse_length
from gaugepost.core.record import DERIVATION, Kind, Record
from gaugepost.core.setup import CharacteristicEntry, Combine, Feature, from_document, to_document
from gaugepost.core.terms.words import Requirement
from tests.core.station import BORE, Hand, set_up

GUARDED = parse_rule("guarded acceptance by factor 1.65")
RULES = [rule(name) for name in RuleName]


def said(entry: CharacteristicEntry, value: str | D, doubt: Doubt | None = None) -> dict[str, object]:
    """Return the fields of a value that say anything."""
    fields = judged(entry, D(value), (), is_member=False, doubt=doubt)
    Record(kind=Kind.READING, measured_at=0, clock_ms=0, **fields)  # all of them are fields of a record
    return {name: value for name, value in fields.items() if value is not None}


@pytest.mark.parametrize(
    ("value", "verdict", "decision", "away"),
    [
        ("37.999", "undersize", "reject", "-0.001"),
        ("38.010", "in-limits", "accept", "0.010"),
        ("38.026", "oversize", "reject", "0.026"),
    ],
)
def test_a_set_up_without_a_rule_is_judged_as_it_was(
    value: str, verdict: str, decision: str, away: str
) -> None:
    """A journal from before there were rules is derived again to the same fields, and to no others."""
    assert BORE.rule is None
    assert said(BORE, value) == {
        "value_mm": D(value),
        "unit": "mm",
        "lower": D("38.000"),
        "upper": D("38.025"),
        "value": D(value),
        "deviation": D(away),
        "verdict": verdict,
        "decision": decision,
        "rule": "simple acceptance",
    }
    old = to_document(set_up())
    assert '"rule"' not in old
    assert '"rounding"' not in old
    assert from_document(old) == set_up()


def test_verdict_decision_and_conformity_are_three_things() -> None:
    """Half a µm inside the upper limit with u = 1 µm: in limits, nothing proved, left open by the guarded rule."""
    fields = said(replace(BORE, rule=GUARDED), "38.0245", Doubt(0.001))
    assert (fields["verdict"], fields["decision"], fields["conformity"]) == (
        "in-limits",
        "undecided",
        "neither",
    )
    assert (fields["rule"], fields["rule_parameter"]) == ("guarded acceptance by factor", D("1.65"))
    assert (fields["lower_acceptance"], fields["upper_acceptance"]) == (D("38.00165"), D("38.02335"))
    assert fields["probability"] == D("0.691462")
    assert fields["reasons"] == ("in the guard band at the upper limit",)
    assert fields["method"] == "absolute method"


@pytest.mark.parametrize("by", RULES, ids=str)
def test_conformity_and_its_probability_come_with_every_uncertainty(by: Rule) -> None:
    """Whatever the rule, and where none is named, a value whose uncertainty is known says what that proves."""
    for entry in (replace(BORE, rule=by), BORE):
        fields = said(entry, "38.0125", Doubt(0.001))
        assert (fields["conformity"], fields["probability"]) == ("conformity verified", D(1))
        assert (fields["verdict"], fields["decision"]) == ("in-limits", "accept")


@pytest.mark.parametrize("by", [each for each in RULES if each.needs_uncertainty], ids=str)
def test_a_guarded_rule_without_an_uncertainty_is_undecided(by: Rule) -> None:
    """No uncertainty, no proof: the middle of the tolerance is not accepted, and the record says what is missing."""
    fields = said(replace(BORE, rule=by), "38.0125")
    assert (fields["verdict"], fields["decision"]) == ("in-limits", "undecided")
    assert str(fields["reasons"]).endswith("needs an uncertainty, and none is known',)")
    assert not fields.keys() & {"conformity", "probability", "lower_acceptance", "upper_acceptance", "remedy"}


def test_acceptance_limits_are_absent_where_nothing_proves_conformity() -> None:
    """The record of a value whose uncertainty is too large has no acceptance limits, and says why."""
    fields = said(replace(BORE, rule=GUARDED), "38.0125", Doubt(0.01))
    assert not fields.keys() & {"lower_acceptance", "upper_acceptance"}
    assert fields["reasons"] == (
        "nothing can prove conformity: the tolerance is only 2.5 standard uncertainties",
    )


@pytest.mark.parametrize(
    ("value", "method", "verdict", "decision"),
    [
        ("25.0214", None, "oversize", "reject"),
        ("25.0214", D("0.001"), "in-limits", "accept"),
        ("25.0216", None, "oversize", "reject"),
        ("25.0216", D("0.001"), "oversize", "reject"),
        ("24.9996", D("0.001"), "in-limits", "accept"),
        ("25.0205", None, "in-limits", "accept"),
        ("25.0215", D("0.001"), "oversize", "reject"),
    ],
)
def test_absolute_and_rounding_method(value: str, method: D | None, verdict: str, decision: str) -> None:
    """ASTM E29 on 25.000 to 25.021: the method is on the record, the value stays as it was (a tie goes to even)."""
    entry = replace(BORE, lower_mm=D("25.000"), upper_mm=D("25.021"), rule=SIMPLE, rounding=method)
    fields = said(entry, value)
    assert (fields["verdict"], fields["decision"]) == (verdict, decision)
    assert fields["method"] == ("absolute method" if method is None else "rounding method")
    assert fields["value_mm"] == D(value)


def test_rounding_is_in_the_drawings_unit() -> None:
    """A drawing in inches rounds inches: 0.98504 in is 0.9850 in, in limits, and 0.98506 is not."""
    entry = replace(
        BORE,
        unit=Unit.INCH,
        lower_mm=parse_length("0.9843 in").mm,
        upper_mm=parse_length("0.9850 in").mm,
        rule=SIMPLE,
        rounding=D("0.0001"),
    )
    assert said(entry, parse_length("0.98504 in").mm)["verdict"] == "in-limits"
    assert said(entry, parse_length("0.98506 in").mm)["verdict"] == "oversize"


@pytest.mark.parametrize(
    ("feature", "value", "doubt", "remedy"),
    [
        (Feature.BORE, "37.999", None, "can still be opened"),
        (Feature.BORE, "38.026", None, "cannot be brought back"),
        (Feature.SHAFT, "37.999", None, "cannot be brought back"),
        (Feature.SHAFT, "38.026", None, "can still be taken down"),
        (Feature.BORE, "38.001", Doubt(0.001), "can still be opened"),
        (Feature.SHAFT, "38.001", Doubt(0.001), "cannot be brought back"),
        (Feature.BORE, "38.010", Doubt(0.001), None),
        (Feature.BORE, "38.010", None, None),
    ],
)
def test_what_can_still_be_done(
    feature: Feature, value: str, doubt: Doubt | None, remedy: str | None
) -> None:
    """An undersize bore can be opened, an oversize one can't; the reverse for a shaft (common practice, no source)."""
    entry = replace(BORE, feature=feature, rule=GUARDED if doubt else SIMPLE)
    assert said(entry, value, doubt).get("remedy") == remedy


def test_what_is_accepted_needs_no_remedy() -> None:
    """Guarded rejection accepts a bore that is not proved too large: nothing is left to do."""
    entry = replace(BORE, rule=parse_rule("guarded rejection by factor"))
    fields = said(entry, "38.026", Doubt(0.001))
    assert (fields["verdict"], fields["decision"]) == ("oversize", "accept")
    assert "remedy" not in fields


WHOLE = st.integers(1_496_000, 1_498_000).map(lambda count: D(count).scaleb(-6))
"""Sizes in inches, to a millionth."""


@given(
    st.sampled_from(RULES),
    WHOLE,
    st.tuples(WHOLE, WHOLE).filter(lambda pair: pair[0] != pair[1]),
    st.none() | st.floats(1e-6, 0.02),
    st.none() | st.floats(1, 100),
)
def test_inch_and_metric_twins_agree(
    by: Rule, size: D, pair: tuple[D, D], u: float | None, freedom: float | None
) -> None:
    """One size against one pair of limits, on a drawing in inches and on one in mm: all that is decided is the same."""
    lower, upper = (limit * D("25.4") for limit in sorted(pair))
    metric = replace(BORE, lower_mm=lower, upper_mm=upper, nominal_mm=None, rule=by)
    inch = replace(metric, unit=Unit.INCH, step=D("0.0001"))
    doubt = None if u is None else Doubt(u, freedom)
    one, other = (said(entry, size * D("25.4"), doubt) for entry in (metric, inch))
    for name in ("verdict", "decision", "conformity", "probability", "rule", "remedy", "reasons", "value_mm"):
        assert one.get(name) == other.get(name)
    assert one.keys() == other.keys()
    for limit in ("lower_acceptance", "upper_acceptance"):
        if limit in one:
            assert abs(D(str(one[limit])) - D(str(other[limit])) * D("25.4")) < D("1E-9")


@given(
    st.sampled_from(RULES),
    st.decimals(min_value="37.98", max_value="38.05", places=5),
    st.none() | st.floats(1e-5, 0.02),
)
def test_a_bore_and_its_shaft_mirror_each_other(by: Rule, value: D, u: float | None) -> None:
    """What can still be done with a bore can be done with the shaft that mirrors it, and all else is as it was."""
    bore = replace(BORE, rule=by, nominal_mm=None)
    shaft = replace(bore, feature=Feature.SHAFT)
    doubt = None if u is None else Doubt(u)
    one, other = said(bore, value, doubt), said(shaft, D("76.025") - value, doubt)
    mirrored = {
        "can still be opened": "can still be taken down",
        "cannot be brought back": "cannot be brought back",
        None: None,
    }
    assert (one["decision"], one.get("conformity")) == (other["decision"], other.get("conformity"))
    assert mirrored[one.get("remedy")] == other.get("remedy")  # type: ignore[index]


def test_a_reading_at_the_bench_is_decided_by_the_characteristics_rule() -> None:
    """From frame to record: the rule of the set-up in force decides, and it is derived again from the journal."""
    hand = Hand(set_up(characteristic={"rule": GUARDED}))
    hand.ready()
    reading = hand.show("38.012")
    assert (reading.verdict, reading.rule) == (Verdict.IN_LIMITS, "guarded acceptance by factor")
    assert reading.rule_parameter == D("1.65")
    assert reading.decision in ("accept", "undecided")
    assert reading.derivation == DERIVATION


def test_a_value_has_the_digits_of_its_drawing() -> None:
    """No zero that the drawing's step has is left out, and no digit below it: published, 38.01 is 38.010."""
    fields = said(BORE, "38.01")
    assert [str(fields[name]) for name in ("value", "lower", "upper", "deviation")] == [
        "38.010", "38.000", "38.025", "0.010",
    ]  # fmt: skip
    assert str(said(BORE, "38.0123456")["value"]) == "38.0123456"


def test_what_waits_for_others_stands_beside_the_drawings_limits() -> None:
    """One of several readings has value, limits and deviation; verdict and decision are the result's."""
    entry = replace(BORE, combine=Combine.MEAN, readings=3)
    fields = judged(entry, D("38.030"), (), is_member=True)
    assert (fields["value"], fields["lower"], fields["upper"]) == (D("38.030"), D("38.000"), D("38.025"))
    assert fields["deviation"] == D("0.030")
    assert not fields.keys() & {"verdict", "decision", "rule"}


@pytest.mark.parametrize(
    ("derivation", "named"),
    [(2, None), (3, ("envelope",)), (DERIVATION, ("envelope",))],
)
def test_what_is_not_judged_of_a_drawing_is_said(derivation: int, named: tuple[str, ...] | None) -> None:
    """A requirement that is not judged stands on each verdict since there were such, and on none from before."""
    entry = replace(BORE, not_judged=(Requirement.ENVELOPE,))
    fields = judged(entry, D("38.010"), (), is_member=False, derivation=derivation)
    assert fields.get("requirements_not_judged") == named


def test_what_has_no_value_has_no_verdict() -> None:
    """A characteristic without a value is not judged, whether or not anybody says why."""
    assert judged(BORE, None, (), is_member=False)["verdict"] == "not-judged"


def test_metal_mends_no_range_of_sizes() -> None:
    """A range that is too large is rejected, and no remedy is named: neither end of it is the size at fault."""
    of_range = replace(
        BORE, combine=Combine.RANGE, lower_mm=None, upper_mm=D("0.004"), nominal_mm=None, rule=SIMPLE
    )
    fields = said(of_range, "0.005")
    assert (fields["verdict"], fields["decision"]) == ("oversize", "reject")
    assert "remedy" not in fields


def test_what_is_not_judged_is_not_decided() -> None:
    """Without a valid mastering there is no verdict, and so no decision by any rule, no conformity and no remedy."""
    fields = judged(
        replace(BORE, rule=GUARDED), D("38.1"), ("not mastered",), is_member=False, doubt=Doubt(0.001)
    )
    assert fields["verdict"] == "not-judged"
    assert not fields.keys() & {"decision", "rule", "conformity", "probability", "remedy", "lower_acceptance"}
