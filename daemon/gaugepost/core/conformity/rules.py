"""Decision rules of open standards, each with the one number that belongs to it.

    simple acceptance        the drawing's limits as they are                                   JCGM 106:2012, 8.2
    guarded acceptance       accept what is proved in limits, reject what is proved outside     JCGM 106:2012, 8.3.2;
                                                                                                ISO 14253-1:2017
    guarded rejection        reject what is proved outside, accept the rest                     JCGM 106:2012, 8.3.3

The guard band that a proof needs comes by factor (g times the standard uncertainty u; ISO 14253-1 has 1.65), by
conformance probability (as wide as that asks for), or by expanded uncertainty (a multiple of U; JCGM 106 has 1).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.errors import ValueRefused
from gaugepost.core.frozen import Word
from gaugepost.core.quantity import exact_text, parse_number


class RuleName(Word):
    """The rules, as stations and records name them."""

    SIMPLE_ACCEPTANCE = "simple acceptance"
    ACCEPTANCE_BY_FACTOR = "guarded acceptance by factor"
    ACCEPTANCE_BY_PROBABILITY = "guarded acceptance by conformance probability"
    ACCEPTANCE_BY_UNCERTAINTY = "guarded acceptance by expanded uncertainty"
    REJECTION_BY_FACTOR = "guarded rejection by factor"
    REJECTION_BY_PROBABILITY = "guarded rejection by conformance probability"
    REJECTION_BY_UNCERTAINTY = "guarded rejection by expanded uncertainty"


BY_FACTOR = frozenset({RuleName.ACCEPTANCE_BY_FACTOR, RuleName.REJECTION_BY_FACTOR})
BY_PROBABILITY = frozenset({RuleName.ACCEPTANCE_BY_PROBABILITY, RuleName.REJECTION_BY_PROBABILITY})
REJECTION = frozenset(
    {
        RuleName.REJECTION_BY_FACTOR,
        RuleName.REJECTION_BY_PROBABILITY,
        RuleName.REJECTION_BY_UNCERTAINTY,
    }
)

FACTOR, PROBABILITY, MULTIPLE = Decimal("1.65"), Decimal("0.95"), Decimal(1)
"""What the standards have where nothing else is agreed: ISO 14253-1:2017 (1.65, 95 %), JCGM 106:2012, 8.3.2.2 (U)."""

_MOST = Decimal(10)
_SAID = re.compile(
    r"(?P<name>[a-z][a-z -]*[a-z])(?: *,? *(?P<number>[^ a-z][^ ]*?) *(?P<percent>%)?)?", re.ASCII
)


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule with its parameter."""

    name: RuleName
    parameter: Decimal | None = None
    """Factor on u, conformance probability, or multiple of U; None for simple acceptance."""

    @property
    def needs_uncertainty(self) -> bool:
        """Whether nothing can be decided by it where no uncertainty is known."""
        return self.name is not RuleName.SIMPLE_ACCEPTANCE

    def __str__(self) -> str:
        """Return the rule as a station file says it."""
        return self.name.value if self.parameter is None else f"{self.name} {exact_text(self.parameter)}"


SIMPLE = Rule(RuleName.SIMPLE_ACCEPTANCE)


def rule(name: RuleName, parameter: Decimal | None = None) -> Rule:
    """Return the rule with this parameter, or with the standard's where that is None.

    Raises:
        ValueRefused: the rule can't have this parameter.
    """
    if name is RuleName.SIMPLE_ACCEPTANCE:
        if parameter is not None:
            raise ValueRefused(f"{name} has no number", hint=f'write "{name}" alone')
        return SIMPLE
    if parameter is None:
        parameter = FACTOR if name in BY_FACTOR else PROBABILITY if name in BY_PROBABILITY else MULTIPLE
    if name in BY_PROBABILITY:
        if not Decimal("0.5") < parameter < 1:
            raise ValueRefused(
                f"{exact_text(parameter)} proves nothing, or can't be reached",
                hint=f'write a probability above 0.5 and below 1, as "{name} 0.95"',
            )
    elif not 0 < parameter <= _MOST:
        raise ValueRefused(
            f"{exact_text(parameter)} is no width of a guard band",
            hint=f'write a number above 0 and at most {_MOST}, as "{name} {FACTOR if name in BY_FACTOR else MULTIPLE}"',
        )
    return Rule(name, parameter)


def parse_rule(text: str) -> Rule:
    """Return the rule that `text` names: "simple acceptance", "guarded acceptance by factor 1.65", "… by conformance
    probability 95 %", "… by expanded uncertainty"; without a number, the standard's.

    Raises:
        ValueRefused: no such rule, or it can't have this number.
    """
    found = _SAID.fullmatch(" ".join(text.split()))
    if not found or found["name"] not in list(RuleName):
        raise ValueRefused(f"{text!r} is not a decision rule", hint=f"write {_WAYS}")
    name, number = RuleName(found["name"]), found["number"]
    if number is None:
        return rule(name)
    parameter = parse_number(number)
    if found["percent"]:
        if name not in BY_PROBABILITY:
            raise ValueRefused(
                f"{text!r} has a percentage, and {name} has none", hint=f'write "{rule(name)}"'
            )
        parameter = parameter.scaleb(-2)
    return rule(name, parameter)


_WAYS = (
    '"simple acceptance", or "guarded acceptance" or "guarded rejection" followed by '
    '"by factor 1.65", "by conformance probability 0.95" or "by expanded uncertainty"'
)
