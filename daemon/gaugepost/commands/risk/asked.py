"""The options that an uncertainty and a decision rule are said with, where no gauge has measured anything."""

from __future__ import annotations

import argparse

from gaugepost.core.conformity import Doubt, Rule, parse_rule
from gaugepost.core.conformity.asked import ISO_DEFAULT, doubt_from
from gaugepost.core.errors import ValueRefused


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
    if args.standard_uncertainty is not None:
        return doubt_from(args.standard_uncertainty, args.degrees_of_freedom, args.coverage_factor)
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
