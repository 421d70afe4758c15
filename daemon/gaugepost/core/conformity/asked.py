"""Questions about a decision rule, in words as a command line or an address carries them, and their answers."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from gaugepost.core.conformity.deciding import cautions, decide
from gaugepost.core.conformity.doubt import Doubt
from gaugepost.core.conformity.risk import Limits, Process, conforming_given, global_risks
from gaugepost.core.conformity.rules import Rule, parse_rule
from gaugepost.core.conformity.verdict import judge
from gaugepost.core.conformity.zones import acceptance_limits
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import Unit, exact_text, from_mm, parse_length, parse_number

ISO_DEFAULT = "guarded acceptance by factor 1.65"
"""The rule where none is named (ISO 14253-1:2017)."""

_FINEST = {Unit.MM: Decimal("0.00001"), Unit.INCH: Decimal("0.000001")}
"""Finer than anybody sets a process."""


def doubt_from(
    standard_uncertainty: str, degrees_of_freedom: str | None = None, coverage_factor: str | None = None
) -> Doubt:
    """Return the uncertainty said by a length with its unit and plain numbers. Raises `ValueRefused`."""
    freedom = _positive(degrees_of_freedom, "degrees of freedom", "write a number, as 12.5")
    factor = _positive(coverage_factor, "a coverage factor", "write a number, as 2")
    return Doubt(_positive_mm(standard_uncertainty), freedom, 2.0 if factor is None else factor)


def risk_answer(
    limits_mm: Limits, unit: Unit, own_rule: Rule | None, asked: Mapping[str, str | None]
) -> dict[str, object]:
    """Return the risks of a characteristic as a document: probabilities to 6 significant digits, lengths as text.

    `asked` has `standard_uncertainty`, `process_mean` and `process_spread`, lengths with their unit; and may have
    `degrees_of_freedom`, `coverage_factor`, `rule` and the `value` that one piece showed. Raises `ValueRefused`.
    """
    said = asked.get("rule")
    rule = parse_rule(said) if said else own_rule or parse_rule(ISO_DEFAULT)
    needed = {
        name: _needed(asked, name) for name in ("standard_uncertainty", "process_mean", "process_spread")
    }
    doubt = doubt_from(
        needed["standard_uncertainty"], asked.get("degrees_of_freedom"), asked.get("coverage_factor")
    )
    process = Process(parse_length(needed["process_mean"]).mm, _positive_mm(needed["process_spread"]))
    risks = global_risks(rule, *limits_mm, doubt, process)
    accepting = acceptance_limits(rule, *limits_mm, doubt) or (None, None)
    answer: dict[str, object] = {
        "rule": str(rule),
        "unit": unit.value,
        "lower": _in(limits_mm[0], unit),
        "upper": _in(limits_mm[1], unit),
        "lower_acceptance": _in(accepting[0], unit, ROUND_CEILING),
        "upper_acceptance": _in(accepting[1], unit, ROUND_FLOOR),
        "consumers_risk": _kept(risks.consumer),
        "producers_risk": _kept(risks.producer),
        "nonconforming": _kept(risks.nonconforming),
        "accepted": _kept(risks.accepted),
        "nonconforming_of_accepted": _kept(risks.consumer / risks.accepted) if risks.accepted else None,
        "cautions": list(cautions(rule, *limits_mm, doubt)),
    }
    if (value := asked.get("value")) is None:
        return answer
    value_mm = parse_length(value).mm
    try:
        conforming = conforming_given(value_mm, *limits_mm, doubt, process)
    except ValueError as error:
        raise ValueRefused(str(error), hint="check the process's mean, its spread and their units") from error
    found = decide(rule, judge(value_mm, *limits_mm), value_mm, *limits_mm, doubt)
    return answer | {
        "decision": found.decision.value,
        "specific_consumers_risk": _kept(1 - conforming),
        "specific_producers_risk": _kept(conforming),
    }


def _needed(asked: Mapping[str, str | None], name: str) -> str:
    if (said := asked.get(name)) is None:
        raise ValueRefused(f"{name} is missing", hint='give it as a length with its unit, as "0.9 µm"')
    return said


def _positive_mm(text: str) -> float:
    length = parse_length(text)
    if length.value <= 0:
        raise ValueRefused(f"{text!r} is not greater than zero", hint="check the sign and the digits")
    return float(length.mm)


def _positive(text: str | None, what: str, hint: str) -> float | None:
    if text is None:
        return None
    number = parse_number(text)
    if number <= 0:
        raise ValueRefused(f"{exact_text(number)} is not {what}", hint=hint)
    return float(number)


def _in(length_mm: Decimal | None, unit: Unit, towards: str = ROUND_HALF_EVEN) -> str | None:
    """Return a length as text; acceptance limits are rounded inwards: what is told as accepted is."""
    if length_mm is None:
        return None
    return exact_text(from_mm(length_mm, unit).quantize(_FINEST[unit], rounding=towards))


def _kept(probability: float) -> float:
    return float(f"{max(probability, 0.0):.6g}")
