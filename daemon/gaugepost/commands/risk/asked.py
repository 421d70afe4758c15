"""What is asked about a decision without a gauge: an uncertainty and a rule, in the words of a command line."""

from __future__ import annotations

import argparse
from decimal import Decimal

from gaugepost.core.conformity import Doubt, Rule, parse_rule
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import exact_text, parse_length, parse_number

ISO_DEFAULT = "guarded acceptance by factor 1.65"
"""The rule where none is named (ISO 14253-1:2017)."""


def add_uncertainty(parser: argparse.ArgumentParser, *, required: bool = False) -> None:
    """Add what a value's uncertainty and the decision rule are said with."""
    parser.add_argument(
        "-u",
        "--standard-uncertainty",
        metavar="LENGTH",
        required=required,
        help='combined standard uncertainty of a value, as "0.9 µm" (um will do)',
    )
    parser.add_argument(
        "--degrees-of-freedom",
        metavar="NUMBER",
        help="its effective degrees of freedom (default: without end)",
    )
    parser.add_argument(
        "--coverage-factor",
        metavar="K",
        help="k of the expanded uncertainty U, for a rule that goes by U (default: 2)",
    )
    parser.add_argument("--rule", metavar="TEXT", help=f'decision rule, as "{ISO_DEFAULT}" (the default)')


def rule_of(args: argparse.Namespace) -> Rule:
    """Return the rule that is named, or ISO 14253-1's default. Raises `ValueRefused`."""
    return parse_rule(args.rule or ISO_DEFAULT)


def doubt_of(args: argparse.Namespace) -> Doubt | None:
    """Return the uncertainty that is said; None where none is. Raises `ValueRefused`."""
    if args.standard_uncertainty is None:
        for option, said in (
            ("--degrees-of-freedom", args.degrees_of_freedom),
            ("--coverage-factor", args.coverage_factor),
            ("--rule", args.rule),
        ):
            if said is not None:
                raise ValueRefused(
                    f"{option} says nothing without an uncertainty",
                    hint='add --standard-uncertainty, as "0.9 µm"',
                )
        return None
    freedom = _positive(args.degrees_of_freedom, "degrees of freedom", "write a number, as 12.5")
    factor = _positive(args.coverage_factor, "a coverage factor", "write a number, as 2")
    return Doubt(
        positive_length_mm(args.standard_uncertainty),
        None if freedom is None else float(freedom),
        2.0 if factor is None else float(factor),
    )


def positive_length_mm(text: str) -> float:
    """Return a length above 0, in mm. Raises `ValueRefused`."""
    length = parse_length(text)
    if length.value <= 0:
        raise ValueRefused(f"{text!r} is not greater than zero", hint="check the sign and the digits")
    return float(length.mm)


def _positive(text: str | None, what: str, hint: str) -> Decimal | None:
    if text is None:
        return None
    number = parse_number(text)
    if number <= 0:
        raise ValueRefused(f"{exact_text(number)} is not {what}", hint=hint)
    return number
