"""Numbers of a published record as a person reads them: rounded once, in the drawing's unit or in its thousandth."""

from __future__ import annotations

from decimal import Decimal as D

import pytest

from gaugepost.core.quantity import Unit
from gaugepost.core.shown import (
    acceptance,
    deviation,
    digits,
    fine,
    limit,
    number,
    percent,
    signed,
    uncertainty,
    unit_of,
    value_of,
    word,
)


@pytest.mark.parametrize(
    ("verdict", "decision", "said"),
    [
        ("in-limits", "accept", "in-limits"),
        ("in-limits", "undecided", "undecided"),
        ("oversize", "undecided", "undecided"),
        ("oversize", "reject", "oversize"),
        ("undersize", "accept", "accepted"),
        ("not-judged", None, "not-judged"),
        (None, None, None),
    ],
)
def test_the_word_is_what_green_and_red_are_for(
    verdict: str | None, decision: str | None, said: str | None
) -> None:
    """One word is shown first: the verdict, unless the decision is another than that looks like."""
    assert word({"verdict": verdict, "decision": decision}) == said


def test_numbers_of_a_record() -> None:
    """Exact, in the drawing's unit where it has one, in mm where nothing is drawn; None where there is none."""
    drawn = {"unit": "in", "value": "1.5000", "value_mm": "38.1", "lower": None}
    assert (value_of(drawn), unit_of(drawn)) == (D("1.5000"), Unit.INCH)
    assert str(number(drawn, "value")) == "1.5000"
    assert (number(drawn, "lower"), number(drawn, "upper")) == (None, None)
    bare = {"value_mm": "38.1"}
    assert (value_of(bare), unit_of(bare)) == (D("38.1"), Unit.MM)


@pytest.mark.parametrize(
    ("record", "shown"),
    [
        ({"value_mm": "38.01234567"}, "38.0123"),
        ({"unit": "mm", "value": "38.01234567", "lower": "38.000", "upper": "38.025"}, "38.012"),
        ({"unit": "mm", "value": "38.01234567", "lower": "38.0", "upper": "38.25"}, "38.01"),
        ({"unit": "mm", "value": "38.61234567", "lower": "36", "upper": "42"}, "39"),
        ({"unit": "mm", "value": "38.01234567", "lower": "38", "upper": "39"}, "38.01"),
        ({"unit": "mm", "value": "38.01234567", "upper": "38.02499999999"}, "38.0123"),
        ({"unit": "in", "value": "1.50034567", "lower": "1.500", "upper": "1.5010"}, "1.5003"),
        ({"unit": "in", "value": "1.50004567", "lower": "1.4999999999", "upper": "1.501"}, "1.50005"),
        ({"unit": "mm", "value": "38.0251", "lower": "38.00", "upper": "38.02"}, "38.03"),
        ({"unit": "mm", "value": "38.0201", "lower": "38.00", "upper": "38.02"}, "38.0201"),
        ({"unit": "mm", "value": None}, ""),
        ({}, ""),
    ],
)
def test_a_value_is_shown_to_its_limits_digits(record: dict[str, object], shown: str) -> None:
    """To the finer limit's step, as far as a drawing has it, and further where it would look like a limit."""
    assert digits(record) == shown


@pytest.mark.parametrize(
    ("record", "lower", "upper"),
    [
        ({"unit": "mm", "lower": "38.000", "upper": "38.0255"}, "38.0000", "38.0255"),
        ({"unit": "mm", "lower": "38.00", "upper": "38.02"}, "38.00", "38.02"),
        ({"unit": "in", "lower": "1.4999999999", "upper": None}, "1.50000", ""),
        ({"unit": "µm", "lower": "-3.456"}, "-3.46", ""),
        ({}, "", ""),
    ],
)
def test_limits_are_shown_alike(record: dict[str, object], lower: str, upper: str) -> None:
    """Both to the same step; one that is not there leaves nothing."""
    assert (limit(record, "lower"), limit(record, "upper")) == (lower, upper)


@pytest.mark.parametrize(
    ("record", "shown"),
    [
        ({"unit": "mm", "value": "38.0123", "lower": "38.000", "deviation": "0.01234"}, "+0.012"),
        ({"unit": "mm", "value": "38.0123", "lower": "38.00", "deviation": "-0.01234"}, "-0.01"),
        ({"unit": "mm", "value": "38.0000", "lower": "38.000", "deviation": "-0.00004"}, "0.000"),
        ({"unit": "mm", "value": "38.0201", "upper": "38.02", "deviation": "0.0001"}, "+0.0001"),
        ({"deviation": "1.6"}, "+2"),
        ({"value_mm": "38"}, ""),
    ],
)
def test_a_deviation_has_a_sign_and_the_value_s_digits(record: dict[str, object], shown: str) -> None:
    """So that both say the same; nothing has no sign."""
    assert deviation(record) == shown


@pytest.mark.parametrize(
    ("value_mm", "unit", "shown"),
    [
        ("0.00312", Unit.MM, "+3.1 µm"),
        ("-0.0030", Unit.MM, "-3.0 µm"),
        ("0", Unit.MM, "0.0 µm"),
        ("0.0020574", Unit.INCH, "+81 µin"),
        ("0.9999", Unit.MM, "+999.9 µm"),
        ("1", Unit.MM, "+1.0000 mm"),
        ("-38.00123", Unit.MM, "-38.0012 mm"),
        ("38.1", Unit.INCH, "+1.50000 in"),
    ],
)
def test_a_correction_is_said_as_people_say_it(value_mm: str, unit: Unit, shown: str) -> None:
    """In the unit's thousandth; from a millimetre on it is a size, and shown as one."""
    assert fine(D(value_mm), unit) == shown


def test_an_uncertainty_has_no_sign() -> None:
    """In µm or µin, as the drawing has it; nothing where none is stated."""
    assert uncertainty({"unit": "mm", "uncertainty_mm": "0.0031"}) == "3.1 µm"
    assert uncertainty({"unit": "in", "uncertainty_mm": "0.0020574"}) == "81 µin"
    assert uncertainty({"unit": "mm"}) == ""


@pytest.mark.parametrize(
    ("record", "lower", "upper"),
    [
        (
            {"unit": "mm", "lower_acceptance": "38.001485", "upper_acceptance": "38.023515"},
            "38.0015",
            "38.0235",
        ),
        ({"unit": "mm", "lower_acceptance": "38.0016", "upper_acceptance": "38.0234"}, "38.0016", "38.0234"),
        (
            {"unit": "in", "lower_acceptance": "1.500001", "upper_acceptance": "1.500999"},
            "1.50001",
            "1.50099",
        ),
        ({"unit": "mm", "upper_acceptance": "38.02359"}, "", "38.0235"),
        ({"lower_acceptance": "38.00141"}, "38.0015", ""),
    ],
)
def test_acceptance_limits_are_rounded_inwards(record: dict[str, object], lower: str, upper: str) -> None:
    """What is shown inside them is inside them."""
    assert acceptance(record) == (lower, upper)


@pytest.mark.parametrize(
    ("probability", "shown"),
    [
        ("0", "< 0.1 %"),
        ("0.00099999", "< 0.1 %"),
        ("0.001", "0.1 %"),
        ("0.5", "50.0 %"),
        ("0.95449974", "95.4 %"),
        ("0.999", "99.9 %"),
        ("0.99900001", "> 99.9 %"),
        ("1", "> 99.9 %"),
    ],
)
def test_a_probability_is_never_shown_as_certain(probability: str, shown: str) -> None:
    """To a tenth of a percent, and neither nought nor a hundred."""
    assert percent(probability) == shown


def test_a_sign_is_for_what_differs() -> None:
    """Zero has none, not even where it was rounded from below."""
    assert [signed(D(each)) for each in ("0.10", "-0.1", "0.00", "-0.000")] == [
        "+0.10",
        "-0.1",
        "0.00",
        "0.000",
    ]
