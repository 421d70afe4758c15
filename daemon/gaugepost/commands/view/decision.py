"""What was decided about a measurement, in words: by which rule, what it proves, and what can still be done."""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.commands.view.style import GREEN, RED, YELLOW
from gaugepost.core.conformity import RuleName
from gaugepost.core.shown import acceptance, percent, unit_of, word as shown_word

Record = Mapping[str, object]

_VERDICTS = {
    "undersize": ("UNDERSIZE", RED),
    "oversize": ("OVERSIZE", RED),
    "in-limits": ("in limits", GREEN),
    "not-judged": ("not judged", YELLOW),
    "undecided": ("undecided", YELLOW),
    "accepted": ("accepted", GREEN),
}


def word(record: Record) -> tuple[str, str] | None:
    """Return what is shown of a measurement first, and its colour; None for one of several that are combined.

    It is the verdict, unless the decision is another than that looks like: the decision is what green and red are for.
    """
    found = shown_word(record)
    return None if found is None else _VERDICTS.get(found, (found, YELLOW))


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


def _acceptance(record: Record) -> list[str]:
    """The acceptance limits in words."""
    lower, upper = acceptance(record)
    if not lower and not upper:
        return []
    said = f"{lower} to {upper}" if lower and upper else f"at least {lower}" if lower else f"at most {upper}"
    return [f"accepts {said} {unit_of(record)}"]
