"""What was decided about a measurement, in words: by which rule, what it proves, and what can still be done."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from gaugepost.commands.view.style import GREEN, RED, YELLOW
from gaugepost.core.conformity import RuleName
from gaugepost.core.quantity import CONTEXT, Unit, round_to

Record = Mapping[str, object]

_VERDICTS = {
    "undersize": ("UNDERSIZE", RED),
    "oversize": ("OVERSIZE", RED),
    "in-limits": ("in limits", GREEN),
    "not-judged": ("not judged", YELLOW),
}
_TENTH = Decimal("0.1")


def word(record: Record) -> tuple[str, str] | None:
    """Return what is shown of a measurement first, and its colour; None for one of several that are combined.

    It is the verdict, unless the decision is another than that looks like: the decision is what green and red are for.
    """
    verdict, decision = record.get("verdict"), record.get("decision")
    if decision == "undecided":
        return "undecided", YELLOW
    if decision == "accept" and verdict in ("undersize", "oversize"):
        return "accepted", GREEN
    return None if verdict is None else _VERDICTS.get(str(verdict), (str(verdict), YELLOW))


def details(record: Record) -> list[str]:
    """Return the decision with its rule where that is a guarded one, what is proved, and what can still be done."""
    parts, rule = [], record.get("rule")
    if rule is not None and rule != RuleName.SIMPLE_ACCEPTANCE:
        verdict = str(record.get("verdict"))
        lies = _VERDICTS.get(verdict, (verdict, ""))[0].lower()
        parts.append(f"{lies}, {record.get('decision')}: {rule} {record.get('rule_parameter', '')}".rstrip())
        parts += _acceptance(record)
    if record.get("method") == "rounding method":
        parts.append("rounded to be judged")
    if (conformity := record.get("conformity")) is not None:
        parts.append("nothing proved" if conformity == "neither" else str(conformity))
        parts.append(f"conformance probability {percent(record.get('probability', 0))}")
    if record.get("remedy") is not None:
        parts.append(str(record["remedy"]))
    return parts


def percent(probability: object) -> str:
    """Return a probability given as text in percent, to a tenth; never so that it looks certain: "> 99.9 %"."""
    share = CONTEXT.multiply(Decimal(str(probability)), Decimal(100))
    if share < _TENTH:
        return "< 0.1 %"
    return f"{round_to(share, _TENTH)} %" if share <= 100 - _TENTH else "> 99.9 %"


def _acceptance(record: Record) -> list[str]:
    """The acceptance limits, rounded inwards: what is shown inside them is inside them."""
    unit = Unit(str(record.get("unit", Unit.MM)))
    step = Decimal("0.00001") if unit is Unit.INCH else Decimal("0.0001")
    lower, upper = (
        None if (said := record.get(name)) is None else Decimal(str(said)).quantize(step, rounding=towards)
        for name, towards in (("lower_acceptance", ROUND_CEILING), ("upper_acceptance", ROUND_FLOOR))
    )
    if lower is not None and upper is not None:
        return [f"accepts {lower} to {upper} {unit}"]
    if lower is None and upper is None:
        return []
    return [f"accepts {f'at most {upper}' if lower is None else f'at least {lower}'} {unit}"]
