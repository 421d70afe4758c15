"""Consumer's and producer's risk (JCGM 106:2012, clause 9), against numerical integration by scipy; and the command."""

import argparse
import json
from decimal import Decimal as D
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import scipy.integrate
import scipy.stats
from hypothesis import given, settings, strategies as st

from gaugepost.commands import risk
from gaugepost.core.conformity import SIMPLE, Doubt, Rule, RuleName, acceptance_limits, parse_rule, rule
from gaugepost.core.conformity.risk import Process, conforming_given, global_risks
from gaugepost.core.errors import ValueRefused
from tests.cli.daemons import gaugepost

LOWER, UPPER = D("25.000"), D("25.021")
RULES = [rule(name) for name in RuleName]
COMPLETE = Path(__file__).parents[2] / "deploy" / "stations" / "complete.toml"


def integrated(by: Rule, lower: D, upper: D, doubt: Doubt, process: Process) -> tuple[float, float]:
    """Return consumer's and producer's risk as scipy integrates them: the true size outside, the value in between."""
    accepting = acceptance_limits(by, lower, upper, doubt)
    mean, s, u = float(process.mean_mm), process.spread_mm, doubt.standard_mm
    shown = scipy.stats.norm if doubt.degrees_of_freedom is None else scipy.stats.t(doubt.degrees_of_freedom)
    ends = [] if accepting is None else [float(end) for end in accepting if end is not None]

    def accepted(size: float) -> float:
        if not ends:
            return 0.0
        return float(
            scipy.stats.norm.pdf(size, mean, s)
            * (shown.cdf((ends[1] - size) / u) - shown.cdf((ends[0] - size) / u))
        )

    def part(start: float, end: float) -> float:
        between = [place + count * u for place in ends for count in range(-6, 7, 2)]
        between += [mean + count * s for count in range(-6, 7, 2)]
        places = sorted({start, end, *(place for place in between if start < place < end)})
        pieces = (
            scipy.integrate.quad(accepted, *piece, epsabs=1e-13, epsrel=1e-10)[0]
            for piece in pairwise(places)
        )
        return float(sum(pieces))

    consumer = part(mean - 9 * s, float(lower)) + part(float(upper), mean + 9 * s)
    conforming = scipy.stats.norm.cdf(float(upper), mean, s) - scipy.stats.norm.cdf(float(lower), mean, s)
    return consumer, conforming - part(float(lower), float(upper))


@pytest.mark.parametrize("freedom", [None, 6.0])
@pytest.mark.parametrize("u", [0.0004, 0.004])
@pytest.mark.parametrize("by", RULES, ids=str)
def test_global_risks_are_what_scipy_integrates(by: Rule, u: float, freedom: float | None) -> None:
    """Both global risks of every rule agree with an adaptive quadrature that knows nothing of ours."""
    process, doubt = Process(D("25.012"), 0.005), Doubt(u, freedom)
    risks = global_risks(by, LOWER, UPPER, doubt, process)
    consumer, producer = integrated(by, LOWER, UPPER, doubt, process)
    assert risks.consumer == pytest.approx(consumer, rel=1e-7, abs=1e-11)
    assert risks.producer == pytest.approx(producer, rel=1e-7, abs=1e-11)
    assert risks.accepted - risks.consumer + risks.producer == pytest.approx(1 - risks.nonconforming)


def test_a_wide_guard_band_is_integrated_where_it_ends() -> None:
    """Nine standard uncertainties inside each limit, where far fewer than one in 10^15 go wrong, risks are scipy's."""
    by, process, doubt = (
        parse_rule("guarded acceptance by factor 9"),
        Process(D("25.012"), 0.005),
        Doubt(0.0002),
    )
    risks = global_risks(by, LOWER, UPPER, doubt, process)
    consumer, producer = integrated(by, LOWER, UPPER, doubt, process)
    assert risks.consumer == pytest.approx(consumer, abs=1e-15)
    assert risks.producer == pytest.approx(producer, rel=1e-7)


@pytest.mark.parametrize("freedom", [2.0, 4.0])
def test_a_fine_measurement_of_a_wide_process(freedom: float) -> None:
    """Measured 250 times finer than it is made: the risks in the tails of Student's t about the limits are scipy's."""
    process, doubt = Process(D("25.012"), 0.005), Doubt(0.00002, freedom)
    risks = global_risks(SIMPLE, LOWER, UPPER, doubt, process)
    consumer, producer = integrated(SIMPLE, LOWER, UPPER, doubt, process)
    assert risks.consumer == pytest.approx(consumer, rel=2e-7)
    assert risks.producer == pytest.approx(producer, rel=2e-7)


def test_where_nothing_can_be_accepted_no_bad_piece_is() -> None:
    """A tolerance of two standard uncertainties proves nothing at 95 %: every good piece is at the producer's risk."""
    by, process = parse_rule("guarded acceptance by conformance probability"), Process(D("25.012"), 0.005)
    risks = global_risks(by, LOWER, UPPER, Doubt(0.0105), process)
    assert (risks.consumer, risks.accepted) == (0, 0)
    good = scipy.stats.norm.cdf(25.021, 25.012, 0.005) - scipy.stats.norm.cdf(25, 25.012, 0.005)
    assert risks.producer == pytest.approx(good) == 1 - risks.nonconforming


@pytest.mark.parametrize("scale", [1, 10_000])
@pytest.mark.parametrize("by", RULES, ids=str)
@pytest.mark.parametrize("side", ["upper", "lower"])
def test_one_limit_is_a_normal_in_two_dimensions(by: Rule, scale: int, side: str) -> None:
    """With one limit both risks are corners under a bivariate normal, which scipy knows by itself; at any scale."""
    s, u, limit = 0.005 * scale, 0.002 * scale, D("0.009") * scale
    doubt, process = Doubt(u), Process(D(100) * scale, s)
    at = process.mean_mm + (limit if side == "upper" else -limit)
    ends: tuple[D | None, D | None] = (None, at) if side == "upper" else (at, None)
    accepting = acceptance_limits(by, *ends, doubt)
    assert accepting is not None
    (accepted_at,) = (end for end in accepting if end is not None)
    to_limit, to_accepted = (abs(float(end - process.mean_mm)) for end in (at, accepted_at))
    both = scipy.stats.multivariate_normal([0, 0], [[s * s, s * s], [s * s, s * s + u * u]])
    good_and_accepted = both.cdf([to_limit, to_accepted])
    risks = global_risks(by, *ends, doubt, process)
    accepted = scipy.stats.norm.cdf(to_accepted / (s * s + u * u) ** 0.5)
    assert risks.consumer == pytest.approx(accepted - good_and_accepted, rel=1e-5, abs=1e-9)
    assert risks.producer == pytest.approx(
        scipy.stats.norm.cdf(to_limit / s) - good_and_accepted, rel=1e-5, abs=1e-9
    )
    assert risks.accepted == pytest.approx(accepted, rel=1e-7)


def test_what_a_process_makes_outside_the_limits() -> None:
    """A process of standard deviation 0.12 in limits of ±0.2 makes 9.6 % nonconforming: 2·Φ(-5/3) (derived)."""
    process = Process(D(1500), 0.12)
    risks = global_risks(SIMPLE, D("1499.8"), D("1500.2"), Doubt(0.04), process)
    assert risks.nonconforming == pytest.approx(2 * scipy.stats.norm.cdf(-5 / 3), rel=1e-12)


@pytest.mark.parametrize("value", ["24.9990", "25.0001", "25.0120", "25.0209", "25.0240"])
def test_a_pieces_own_risk_is_that_of_both_normals_together(value: str) -> None:
    """What a piece showed and what its process makes combine by Bayes' rule (JCGM 106:2012, 6 and 9.4)."""
    process, doubt = Process(D("25.012"), 0.005), Doubt(0.002)

    def probable(size: float) -> float:
        return float(
            scipy.stats.norm.pdf(size, 25.012, 0.005) * scipy.stats.norm.pdf(float(value), size, 0.002)
        )

    inside = scipy.integrate.quad(probable, 25.000, 25.021, points=[float(value)], epsrel=1e-10)[0]
    whole = scipy.integrate.quad(probable, 24.98, 25.05, points=[float(value)], epsrel=1e-10)[0]
    given_value = conforming_given(D(value), LOWER, UPPER, doubt, process)
    assert given_value == pytest.approx(inside / whole, rel=1e-7)


@pytest.mark.parametrize(("value", "freedom"), [("24.9990", 4.0), ("25.0209", 4.0), ("25.0240", 30.0)])
def test_a_pieces_own_risk_with_few_observations(value: str, freedom: float) -> None:
    """The same with Student's t about what the piece showed; a great many observations are the normal again."""
    process, doubt = Process(D("25.012"), 0.005), Doubt(0.002, freedom)

    def probable(size: float) -> float:
        shown = scipy.stats.t.pdf((float(value) - size) / 0.002, freedom)
        return float(scipy.stats.norm.pdf(size, 25.012, 0.005) * shown)

    inside = scipy.integrate.quad(probable, 25.000, 25.021, points=[25.012], epsrel=1e-10)[0]
    whole = scipy.integrate.quad(probable, 24.96, 25.07, points=[25.012], epsrel=1e-10)[0]
    assert conforming_given(D(value), LOWER, UPPER, doubt, process) == pytest.approx(inside / whole, rel=1e-6)
    many = conforming_given(D(value), LOWER, UPPER, Doubt(0.002, 1e7), process)
    assert many == pytest.approx(conforming_given(D(value), LOWER, UPPER, Doubt(0.002), process), rel=1e-6)


@pytest.mark.parametrize(("lower", "upper"), [(LOWER, None), (None, UPPER), (LOWER, UPPER)])
@pytest.mark.parametrize(("s", "u"), [(0.005, 0.002), (0.0005, 0.02), (0.02, 0.0005)])
def test_a_pieces_own_risk_with_one_limit_or_two(
    lower: D | None, upper: D | None, s: float, u: float
) -> None:
    """With few observations too one limit may be there alone, and process or measurement be by far the wider."""
    process, doubt, value = Process(D("25.019"), s), Doubt(u, 4), 25.0205

    def probable(size: float) -> float:
        return float(scipy.stats.norm.pdf(size, 25.019, s) * scipy.stats.t.pdf((value - size) / u, 4))

    ends = [25.019 - 9 * s, *(float(each) for each in (lower, upper) if each is not None), 25.019 + 9 * s]
    places = sorted(
        {*ends, 25.019, value, 25.019 - s, 25.019 + s, value - u, value + u, value - 5 * u, value + 5 * u}
    )
    parts = [
        (start, scipy.integrate.quad(probable, start, end, epsrel=1e-10)[0])
        for start, end in pairwise(place for place in places if ends[0] <= place <= ends[-1])
    ]
    inside = sum(
        part
        for start, part in parts
        if (lower is None or start >= float(lower)) and (upper is None or start < float(upper))
    )
    found = conforming_given(D("25.0205"), lower, upper, doubt, process)
    assert found == pytest.approx(inside / sum(part for _, part in parts), rel=1e-6)


def test_a_value_that_no_piece_shows_is_said() -> None:
    """A value in inches against a process in mm is no piece of it: an error, not a division by nothing."""
    with pytest.raises(ValueError, match=r"no piece of a process about 25\.012 mm shows"):
        conforming_given(D("0.9"), LOWER, UPPER, Doubt(0.0001, 400), Process(D("25.012"), 0.0005))


@settings(max_examples=40)
@given(
    st.sampled_from(RULES),
    st.decimals(min_value="24.99", max_value="25.03", places=4),
    st.floats(5e-4, 0.02),
    st.floats(1e-4, 0.01),
)
def test_risks_are_probabilities_and_guarding_trades_one_for_the_other(
    by: Rule, mean: D, s: float, u: float
) -> None:
    """Guarded acceptance never has more consumer's or less producer's risk than simple acceptance."""
    process, doubt = Process(mean, s), Doubt(u)
    risks, simply = (global_risks(each, LOWER, UPPER, doubt, process) for each in (by, SIMPLE))
    for probability in (risks.consumer, risks.producer, risks.nonconforming, risks.accepted):
        assert -1e-9 <= probability <= 1 + 1e-9
    accepting = by.name.startswith("guarded acceptance")
    less, more = (risks, simply) if accepting else (simply, risks)
    assert less.consumer <= more.consumer + 1e-9
    assert less.producer >= more.producer - 1e-9


def said(*words: str) -> dict[str, Any]:
    done = gaugepost("risk", *words, "--json")
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


PROCESS = ("--process-mean", "25.012 mm", "--process-spread", "5 µm")


def test_the_command_says_the_risks() -> None:
    """The command's numbers are the function's, by ISO 14253-1's default rule, acceptance limits beside them."""
    answer = said("25 H7", "-u", "1 um", *PROCESS)
    risks = global_risks(
        parse_rule("guarded acceptance by factor 1.65"),
        LOWER,
        UPPER,
        Doubt(0.001),
        Process(D("25.012"), 0.005),
    )
    assert answer["consumers_risk"] == pytest.approx(risks.consumer, rel=1e-5)
    assert answer["producers_risk"] == pytest.approx(risks.producer, rel=1e-5)
    assert (answer["lower_acceptance"], answer["upper_acceptance"]) == ("25.00165", "25.01935")
    assert "decision" not in answer


def test_the_command_says_one_pieces_risk() -> None:
    """With a value it says the decision, and the risk of going wrong with this piece."""
    answer = said("25 H7", "-u", "1 um", *PROCESS, "--rule", "simple acceptance", "--value", "25.0208 mm")
    conforming = conforming_given(D("25.0208"), LOWER, UPPER, Doubt(0.001), Process(D("25.012"), 0.005))
    assert answer["decision"] == "accept"
    assert answer["specific_consumers_risk"] == pytest.approx(1 - conforming, rel=1e-5)


def test_the_command_takes_a_station_files_characteristic_and_rule(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A characteristic's own rule and limits are taken from its file; what is doubtful about them is said."""
    parser = argparse.ArgumentParser()
    risk.add_arguments(parser)
    process = ["--process-mean", "62.02 mm", "--process-spread", "9 um"]
    asked = ["seal-seat", "--station", str(COMPLETE), "-u", "12 um", *process]
    assert risk.run(parser.parse_args(asked)) == 0
    told = capsys.readouterr().out
    assert "guarded acceptance by conformance probability 0.95" in told
    assert "acceptance limits  none" in told
    assert "nothing can prove conformity: the tolerance is only 3.83 standard uncertainties" in told
    with pytest.raises(ValueRefused, match="is not a characteristic of") as refused:
        risk.run(parser.parse_args(["seat", *asked[1:]]))
    assert "seal-seat" in refused.value.hint


@pytest.mark.parametrize(
    ("changed", "finding"),
    [
        (("-u", "0 um"), "'0 um' is not greater than zero"),
        (("-u", "1"), "'1' has no unit"),
        (("--process-spread", "-4 um"), "'-4 um' is not greater than zero"),
        (("--degrees-of-freedom", "0"), "0 is not degrees of freedom"),
        (("--coverage-factor", "-2"), "-2 is not a coverage factor"),
        (("--rule", "guarded"), "'guarded' is not a decision rule"),
        (("--value", "25.0208"), "'25.0208' has no unit"),
    ],
)
def test_what_the_command_can_not_take_is_said(changed: tuple[str, str], finding: str) -> None:
    """Each number that can't be meant is named, with what to write instead."""
    parser = argparse.ArgumentParser()
    risk.add_arguments(parser)
    option, value = changed
    with pytest.raises(ValueRefused) as refused:
        risk.run(parser.parse_args(["25 H7", "-u", "1 um", *PROCESS, f"{option}={value}"]))
    assert finding in str(refused.value)
    assert refused.value.hint
