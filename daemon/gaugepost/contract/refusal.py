"""How a settings model says what is wrong with a key, in the words that `gaugepost check` shows.

A plain `ValueError("it is empty; write 1")` in a validator does too: what is wrong, a semicolon, what to write.
"""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

Key = tuple[str | int, ...]


def refusal(finding: str, expected: str = "", literal: str = "", hint: str = "") -> PydanticCustomError:
    """Return the error that carries a finding through a model: `literal` is what to write behind the key."""
    parts = {"finding": finding, "expected": expected, "literal": literal, "hint": hint}
    return PydanticCustomError("refused", "{finding}; {hint}" if hint else "{finding}", parts)


def refused_keys(model: str, found: Mapping[Key, PydanticCustomError]) -> ValidationError:
    """Return the error for a validator of a whole model to raise: a finding for each key below it, all at once."""
    return ValidationError.from_exception_data(
        model, [InitErrorDetails(type=error, loc=key, input=None) for key, error in found.items()]
    )
