"""Published values as text that a spreadsheet shows and never runs."""

from __future__ import annotations

import re

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What makes a spreadsheet take a cell for a formula (OWASP, "CSV Injection"; from memory)."""


_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?", re.ASCII)
"""Plain digits, however many: a length in inches that was measured in mm has 34."""


def is_number(text: str) -> bool:
    """Tell whether `text` is nothing but a number: a sign, digits, at most one point among them."""
    return _NUMBER.fullmatch(text) is not None


def neutralised(text: str) -> str:
    """Return `text`, with an apostrophe before it where a spreadsheet would take it for a formula.

    A plain number (-0.003, +40.0123) is left alone: it is what the cell is for.
    """
    return "'" + text if text.startswith(_STARTS_A_FORMULA) and not is_number(text) else text


def cell(value: object) -> str:
    """Return a published value as one CSV cell: empty for None, a list joined by "; ", text `neutralised`."""
    if value is None:
        return ""
    if isinstance(value, str):
        return neutralised(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        texts = [str(inner) for inner in value]
        joined = "; ".join(texts)
        return joined if all(map(is_number, texts)) else neutralised(joined)
    return neutralised(str(value))
