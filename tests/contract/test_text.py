"""A spreadsheet that opens what we publish shows it and runs nothing."""

from __future__ import annotations

import pytest

from gaugepost.contract import cell, neutralised


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_what_would_start_a_formula_gets_an_apostrophe(start: str) -> None:
    """Text that a spreadsheet would run is shown as text.

    Source: OWASP, "CSV Injection": the characters a cell must not begin with (from memory).
    """
    assert neutralised(f"{start}HYPERLINK(1)") == f"'{start}HYPERLINK(1)"


@pytest.mark.parametrize(
    "text", ["-0.003", "+40.0123", "40", "", "ring-40", "a=b", "2026-11-25T09:00:00.000Z"]
)
def test_numbers_and_plain_text_are_left_alone(text: str) -> None:
    """A negative deviation stays a number that can be charted."""
    assert neutralised(text) == text


@pytest.mark.parametrize("text", ["-1e5", "+1_0", "-0.003 mm", "-NaN", "--1", "-", "-٣"])
def test_what_only_resembles_a_number_is_neutralised(text: str) -> None:
    """Only plain digits count as a number."""
    assert neutralised(text) == "'" + text


def test_each_published_value_has_one_cell() -> None:
    """Every type that is published becomes one cell, and nothing becomes an empty one."""
    assert [cell(v) for v in (None, True, False, 7, "x", ["a", "b"], [1, 2], [])] == [
        "", "true", "false", "7", "x", "a; b", "1; 2", "",
    ]  # fmt: skip
    assert cell(["=1", "b"]) == "'=1; b"
    assert cell(["-0.003", "0.1"]) == "-0.003; 0.1"
