"""`gaugepost limits`: what a drawing's words come to, before they go into a station file."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from gaugepost.commands.risk.asked import add_uncertainty, doubt_of, rule_of
from gaugepost.core.conformity import Doubt, Rule, acceptance_limits, cautions, zones
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import CONTEXT, MM_PER_UNIT, Unit, exact_text, from_mm, round_to, step_of
from gaugepost.core.tolerance import Limits, parse_limits

_MM_DECIMALS = 3
_FINE = {Unit.MM: Decimal("0.0001"), Unit.INCH: Decimal("0.00001")}
_KEYS = {
    "accept from": "lower_acceptance",
    "accept to": "upper_acceptance",
    "reject below": "lower_rejection",
    "reject above": "upper_rejection",
}
_TOWARDS = {
    "accept from": ROUND_CEILING,
    "accept to": ROUND_FLOOR,
    "reject below": ROUND_FLOOR,
    "reject above": ROUND_CEILING,
}
"""Where digits without end are rounded: what is told as accepted or rejected is."""
_EPILOG = """\
ways to say it (quote each one):
  "30.010..30.034 mm"          both limits
  ">= 12.400 mm"               one limit, or "12.400 mm min"; the other way "<=", "max"
  "22 mm +0.015/-0.006"        nominal and two deviations, in either order, of any sign
  "0.8750 in +0.0008/0"        inches
  "22 mm +15 µm/-6 µm"         deviations with a unit of their own (um will do)
  "62 mm ±0.02"                the same either way, or "62 mm +/-0.02"
  "45 H8", "1.25 in H7"        hole class of ISO 286-1: D to H, JS, K, M, N, P, IT5 to IT11, to 315 mm

with a standard uncertainty, the limits that a value is accepted and rejected by are shown too:
  gaugepost limits "38 H7" -u 0.9um

exit code: 0, or 2 if any text could not be understood (the others are still answered)
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = "Show what the drawing's words come to: exact limits of size, in mm and in."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "texts", nargs="+", metavar="TEXT", help='limits as the drawing gives them, as "45 H8"'
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line, exact numbers as text")
    parser.add_argument(
        "--unit", choices=["mm", "in"], help="state the limits in this unit, not in the drawing's"
    )
    add_uncertainty(parser)


def run(args: argparse.Namespace) -> int:
    """Answer every text on stdout, name each that is refused on stderr; return 0, or 2 if any was refused.

    Raises `ValueRefused` where uncertainty or rule are not understood.
    """
    code, doubt = 0, doubt_of(args)
    decided = None if doubt is None else (rule_of(args), doubt)
    for text in args.texts:
        try:
            limits = parse_limits(text)
        except ValueRefused as refusal:
            code = 2
            named = repr(text) in refusal.finding
            print(refusal if named else f"{text!r}: {refusal}", file=sys.stderr)
            if args.json:
                print(json.dumps({"text": text, "error": refusal.finding, "hint": refusal.hint}))
            continue
        if args.unit:
            limits = limits.stated_in(Unit(args.unit))
        print(json.dumps(as_json(limits, decided)) if args.json else as_text(limits, decided))
    return code


def as_json(limits: Limits, decided: tuple[Rule, Doubt] | None = None) -> dict[str, str | list[str] | None]:
    """Return the limits with every number as plain digits; inches of a size in mm to 34 digits, the rest exact.

    With a rule and an uncertainty, between what a value is accepted, and beyond what it is rejected.
    """
    sizes = {"nominal": limits.nominal_mm, "lower": limits.lower_mm, "upper": limits.upper_mm}
    decimals = _decimals(limits.step)
    answer: dict[str, str | list[str] | None] = {"text": limits.source}
    answer |= {f"{name}_mm": _digits(size, _MM_DECIMALS) for name, size in sizes.items()}
    answer |= {"tolerance_mm": _digits(limits.tolerance_mm, _MM_DECIMALS), "unit": limits.unit.value}
    for name, size in sizes.items():
        answer[name] = None if size is None else _digits(from_mm(size, limits.unit), decimals)
    if hole := limits.hole:
        answer |= {
            "class": hole.code,
            "it_um": str(hole.it_um),
            "upper_deviation_um": exact_text(hole.upper_um),
            "lower_deviation_um": exact_text(hole.lower_um),
        }
    if limits.feature:
        answer["feature"] = limits.feature.value
    if decided:
        answer["rule"] = str(decided[0])
        for name, size in _deciding(limits, *decided).items():
            answer[f"{_KEYS[name]}_mm"] = _digits(size, _MM_DECIMALS)
            answer[_KEYS[name]] = None if size is None else _digits(from_mm(size, limits.unit), decimals)
        answer["cautions"] = list(cautions(decided[0], limits.lower_mm, limits.upper_mm, decided[1]))
    return answer


def _deciding(limits: Limits, rule: Rule, doubt: Doubt) -> dict[str, Decimal | None]:
    """Return between what values the decision is accept, and beyond which it is reject, in mm."""
    accepting = acceptance_limits(rule, limits.lower_mm, limits.upper_mm, doubt) or (None, None)
    made = {"accept from": accepting[0], "accept to": accepting[1]}
    if rule.needs_uncertainty:
        beyond = zones(rule, limits.lower_mm, limits.upper_mm, doubt)
        made |= {"reject below": beyond.below_mm, "reject above": beyond.above_mm}
    return made


def as_text(limits: Limits, decided: tuple[Rule, Doubt] | None = None) -> str:
    """Return a small table for people: the drawing's unit first, then the other one."""
    other = Unit.MM if limits.unit is Unit.INCH else Unit.INCH
    names = ["nominal", "lower", "upper", "tolerance"]
    values = [limits.nominal_mm, limits.lower_mm, limits.upper_mm, limits.tolerance_mm]
    if decided:
        limits = replace(limits, step=min(limits.step, _FINE[limits.unit]))  # guard bands are narrow
        beyond = _deciding(limits, *decided)
        names, values = [*names, *beyond], [*values, *beyond.values()]
    towards = [_TOWARDS.get(name, ROUND_HALF_EVEN) for name in names]
    columns = [_column(values, towards, limits, unit) for unit in (limits.unit, other)]
    lines, wide = [limits.source.strip()], max(9, *map(len, names))
    for name, *cells in zip(["", *names], *columns, strict=True):
        if any(cells):
            lines.append(f"  {name:<{wide}}  {cells[0]}  {cells[1]}".rstrip())
    if hole := limits.hole:
        lines.append(
            f"  {'class':<{wide}}  {hole.code} ({limits.feature}): IT{hole.grade} = {hole.it_um} µm, "
            f"ES = {_signed(hole.upper_um)} µm, EI = {_signed(hole.lower_um)} µm"
        )
    if decided:
        lines.append(f"  {'rule':<{wide}}  {decided[0]}")
        lines += [
            f"  {'caution':<{wide}}  {caution}"
            for caution in cautions(decided[0], limits.lower_mm, limits.upper_mm, decided[1])
        ]
    return "\n".join(lines)


def _column(
    values_mm: Sequence[Decimal | None], towards: Sequence[str], limits: Limits, unit: Unit
) -> list[str]:
    """Return a heading and a cell for each value, all of one width; an absent value is an empty cell."""
    values = [None if value is None else from_mm(value, unit) for value in values_mm]
    decimals = _decimals(limits.step) if unit is limits.unit else _MM_DECIMALS
    heading = str(unit)
    if unit is Unit.INCH:
        # One digit finer than the drawing's own step, so that no two sizes of the drawing look the same in inches.
        finest = Decimal(1).scaleb(from_mm(limits.step * MM_PER_UNIT[limits.unit], unit).adjusted() - 1)
        if any(value is not None and value != round_to(value, finest) for value in values):
            heading, decimals = "in (rounded)", _decimals(finest)
            values = [
                None if value is None else value.quantize(finest, rounding=way, context=CONTEXT)
                for value, way in zip(values, towards, strict=True)
            ]
    decimals = max(
        decimals, *(_decimals(step_of(value.normalize(CONTEXT))) for value in values if value is not None)
    )
    cells = [_digits(value, decimals) or "" for value in values]
    width = max(map(len, [heading, *cells]))
    return [text.rjust(width) if text else "" for text in [heading, *cells]]


def _digits(value: Decimal | None, at_least: int) -> str | None:
    """Return plain digits, exact: `at_least` decimals, and more only where they are not zeros."""
    if value is None:
        return None
    decimals = max(at_least, _decimals(step_of(value.normalize(CONTEXT))))
    return exact_text(value.quantize(Decimal(1).scaleb(-decimals), context=CONTEXT))


def _decimals(step: Decimal) -> int:
    return max(0, -step.adjusted())


def _signed(um: Decimal) -> str:
    return f"{'+' if um > 0 else ''}{exact_text(um)}"
