"""Digits become exact numbers and digits again: held against published roundings and against exact fractions."""

import decimal
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, strategies as st

from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import (
    MAX_DIGITS,
    UNIT_SPELLINGS,
    Length,
    Unit,
    exact_text,
    from_mm,
    parse_difference_k,
    parse_length,
    parse_number,
    parse_temperature_c,
    parse_unit,
    quantise_mm,
    round_to,
    shown,
    step_of,
    to_mm,
)

UNITS = st.sampled_from(list(Unit))
LENGTHS = st.decimals(min_value=-1000, max_value=1000, places=7, allow_nan=False, allow_infinity=False)
MM_OF = {  # NIST SP 811 (2008), B.6: 1 in = 25.4 mm exactly; the rest by SI prefix
    Unit.MM: Fraction(1),
    Unit.INCH: Fraction(254, 10),
    Unit.MICROMETRE: Fraction(1, 1000),
    Unit.MICROINCH: Fraction(254, 10_000_000),
}


@pytest.mark.parametrize(
    ("inch", "mm"), [("1", "25.4"), ("0.0001", "0.00254"), ("0.00005", "0.00127"), ("12", "304.8")]
)
def test_inches_are_exact(inch: str, mm: str) -> None:
    """An inch is 25.4 mm, not nearly so (NIST SP 811, B.6)."""
    assert to_mm(Decimal(inch), Unit.INCH) == Decimal(mm)
    assert from_mm(Decimal(mm), Unit.INCH) == Decimal(inch)


@given(LENGTHS, UNITS)
def test_every_length_is_exact_in_mm(value: Decimal, unit: Unit) -> None:
    """Going to mm loses nothing, in any unit."""
    assert Fraction(to_mm(value, unit)) == Fraction(value) * MM_OF[unit]


@given(LENGTHS, UNITS)
def test_to_mm_and_back_is_the_same_length(value: Decimal, unit: Unit) -> None:
    """What was written in a unit comes back from mm unchanged."""
    assert from_mm(to_mm(value, unit), unit) == value


@given(LENGTHS, st.sampled_from([Unit.MM, Unit.MICROMETRE]))
def test_metric_units_are_exact_both_ways(value: Decimal, unit: Unit) -> None:
    """Between mm and µm only the point moves."""
    assert Fraction(from_mm(value, unit)) * MM_OF[unit] == Fraction(value)


@given(LENGTHS, st.sampled_from([Unit.INCH, Unit.MICROINCH]))
def test_mm_in_inches_is_true_to_far_below_any_gauge(value: Decimal, unit: Unit) -> None:
    """Where mm cannot be written in inches exactly, the error is below 1e-24 mm."""
    assert abs(Fraction(from_mm(value, unit)) * MM_OF[unit] - Fraction(value)) < Fraction(1, 10**24)


@given(st.integers(0, 10**9), st.integers(0, 9), st.sampled_from(["", "+", "-"]))
def test_plain_digits_keep_their_value_and_their_last_place(number: int, places: int, sign: str) -> None:
    """Digits are read as they stand: their value, and how many places were written."""
    text = f"{sign}{number // 10**places}.{number % 10**places:0{places}d}" if places else f"{sign}{number}"
    value = parse_number(text)
    assert Fraction(value) == Fraction(number, 10**places) * (-1 if sign == "-" else 1)
    assert step_of(value) == Decimal(1).scaleb(-places)


@pytest.mark.parametrize(
    "text",
    [
        *(
            "NaN",
            "nan",
            "sNaN",
            "Infinity",
            "-inf",
            "1_0",
            "1e5",
            "1E-3",
            "0x1F",
            "",
            " ",
            ".",
            "+",
            "-",
            "+.",
            "1.2.3",
        ),
        *("1,5", "1 000", " 1", "1 ", "1\n", "--1", "+-1", "−1", "½", "²", "１２", "٤٢", "४२", "1٤", "40mm"),
    ],
)
def test_nothing_but_plain_digits_is_a_number(text: str) -> None:
    """What Python's own Decimal would take beyond plain digits is refused, and the hint says what to write."""
    with pytest.raises(ValueRefused) as refused:
        parse_number(text)
    assert "digits" in refused.value.hint


def test_more_digits_than_anything_shows_are_refused() -> None:
    """Too many digits are refused, never cut."""
    assert parse_number("1" * MAX_DIGITS) == int("1" * MAX_DIGITS)
    signed = parse_number("-1." + "1" * (MAX_DIGITS - 1))  # neither sign nor point is a digit
    assert signed.scaleb(MAX_DIGITS - 1) == -int("1" * MAX_DIGITS)
    with pytest.raises(ValueRefused, match="20 digits"):
        parse_number("1." + "1" * MAX_DIGITS)


@given(st.text(max_size=12))
def test_any_text_is_a_number_or_refused(text: str) -> None:
    """Whatever is written, the answer is a finite number or a refusal."""
    try:
        value = parse_number(text)
    except ValueRefused:
        return
    assert value.is_finite()
    assert text.isascii()


@pytest.mark.parametrize("spelling", UNIT_SPELLINGS)
def test_every_spelling_of_a_unit_is_read_after_digits(spelling: str) -> None:
    """A length may be written with or without a space before any spelling of its unit."""
    unit = parse_unit(spelling)
    assert (
        parse_length(f"40.0012 {spelling}")
        == parse_length(f" 40.0012{spelling}")
        == Length(Decimal("40.0012"), unit)
    )


def test_both_micro_signs_are_the_same_unit() -> None:
    """The micro sign and the Greek letter look the same and mean the same."""
    assert parse_unit("\N{MICRO SIGN}m") is parse_unit("\N{GREEK SMALL LETTER MU}m") is Unit.MICROMETRE


@pytest.mark.parametrize("text", ["40", "mm", "", "40 cm", "40 MM", "40 mm mm", "1e5 mm", "NaN mm", "4 0 mm"])
def test_a_length_needs_digits_and_a_known_unit(text: str) -> None:
    """A length without unit or with an unknown one is refused, never taken for mm."""
    with pytest.raises(ValueRefused) as refused:
        parse_length(text)
    assert refused.value.hint


@pytest.mark.parametrize("text", ["38,0012 mm", "38,0012", "1,234.5 mm", ",5 mm"])
def test_a_comma_is_named(text: str) -> None:
    """Whoever writes a decimal comma is told so, not that ",0012 mm" is no unit."""
    with pytest.raises(ValueRefused, match="has a comma") as refused:
        parse_length(text)
    assert "as a point" in (refused.value.hint or "")


def test_a_length_remembers_how_it_was_written() -> None:
    """A length keeps its digits and unit beside its size in mm."""
    length = parse_length("0.6250 in")
    assert (str(length), length.mm, length.resolution) == ("0.6250 in", Decimal("15.875"), Decimal("0.0001"))


@pytest.mark.parametrize(
    ("value", "step", "rounded"),
    [
        # ISO 80000-1:2009, Annex B, rule A (inputs from memory)
        ("12.223", "0.1", "12.2"),
        ("12.251", "0.1", "12.3"),
        ("12.275", "0.1", "12.3"),
        ("12.25", "0.1", "12.2"),
        ("12.35", "0.1", "12.4"),
        ("12.254", "0.1", "12.3"),  # rounded once: through 12.25 it would become 12.2
        # NIST SP 811 (2008), B.7.1
        ("6.9749515", "0.01", "6.97"),
        ("6.9749515", "0.0001", "6.9750"),
        ("6.9749515", "0.000001", "6.974952"),
        ("6.9749505", "0.000001", "6.974950"),
    ],
)
def test_rounding_agrees_with_the_standards(value: str, step: str, rounded: str) -> None:
    """Rounding is half to even, once, from the full value, and keeps its zeros."""
    assert exact_text(round_to(Decimal(value), Decimal(step))) == rounded


@given(LENGTHS, st.sampled_from(["0.001", "0.0001", "0.0005", "0.002", "0.00005", "1"]))
def test_a_rounded_value_is_the_nearest_multiple(value: Decimal, step: str) -> None:
    """Rounding goes to a multiple of the step, never further than half a step, and to an even one at a tie."""
    rounded = round_to(value, Decimal(step))
    count = Fraction(rounded) / Fraction(step)
    away = abs(Fraction(rounded) - Fraction(value)) * 2
    assert count.denominator == 1
    assert away < Fraction(step) or (away == Fraction(step) and count % 2 == 0)


def test_a_step_is_never_more_than_one() -> None:
    """Zeros before the point are digits that were shown: 40 counts ones, however its number is kept."""
    assert step_of(Decimal("40")) == step_of(Decimal("4E+1")) == 1


def test_what_other_code_does_with_decimals_rounds_nothing_here() -> None:
    """Rounding is half to even and holds 34 digits (IEEE 754 decimal128), whatever context the thread was left with."""
    thirds = from_mm(Decimal(1), Unit.INCH)
    with decimal.localcontext() as left:
        left.rounding, left.prec = decimal.ROUND_UP, 9
        assert round_to(Decimal("12.25"), Decimal("0.1")) == Decimal("12.2")
        assert round_to(Decimal("12.25"), Decimal("0.5")) == 12
        assert quantise_mm(Decimal("38.0000000025")) == Decimal("38.000000002")
        assert from_mm(Decimal(1), Unit.INCH) == thirds
        assert to_mm(Decimal("1.234567890123"), Unit.INCH) == Decimal("31.3580244091242")


def test_corrections_are_kept_to_their_own_step() -> None:
    """A correction keeps nine decimals of a millimetre, half to even."""
    assert quantise_mm(Decimal("-0.0000000025")) == Decimal("-0.000000002")
    assert exact_text(quantise_mm(Decimal("0.5"))) == "0.500000000"


@pytest.mark.parametrize(
    ("value", "step", "limit", "text"),
    [
        ("25.0214", "0.001", "25.021", "25.0214"),
        ("25.0216", "0.001", "25.021", "25.022"),
        ("25.021", "0.001", "25.021", "25.021"),
        ("25.02100001", "0.001", "25.021", "25.02100001"),
        ("25.0206", "0.001", "25.021", "25.0206"),
        ("25.01", "0.001", "25.021", "25.010"),
        (
            "25.0214",
            "0.001",
            "25.0212",
            "25.0214",
        ),  # a limit finer than the display: 25.021 would look inside it
        ("25.1", "0.001", "25.1004", "25.1000"),
        ("25.02146", "0.001", "25.021", "25.0215"),  # no more of its digits than that takes
    ],
)
def test_a_display_shows_digits_until_the_limit_is_told_apart(
    value: str, step: str, limit: str, text: str
) -> None:
    """A value beside a limit is shown with as many digits as it takes to see the difference."""
    assert shown(Decimal(value), Decimal(step), Decimal(limit)) == text


@given(
    st.integers(24_000_000_000, 26_000_000_000),
    st.integers(-3_000_000, 3_000_000),
    st.sampled_from(["0.1", "0.001", "0.0001", "0.00001"]),
    st.sampled_from([Unit.MM, Unit.INCH]),
)
def test_what_is_shown_is_on_the_side_where_the_value_is(
    nm_limit: int, off: int, step: str, unit: Unit
) -> None:
    """No display puts a value on a limit it exceeds, or on its other side, in mm or in inches that never end."""
    limit = from_mm(Decimal(nm_limit).scaleb(-9), unit)
    value = from_mm(Decimal(nm_limit + off).scaleb(-9), unit)
    seen = Decimal(shown(value, Decimal(step), None, limit))
    if off:
        assert (seen > limit, seen < limit) == (value > limit, value < limit)
    else:
        assert seen == round_to(value, Decimal(step))


@pytest.mark.parametrize(
    ("value", "text"), [("1E-9", "0.000000001"), ("1E+2", "100"), ("25.400", "25.400"), ("-0.5", "-0.5")]
)
def test_exact_text_has_no_exponent(value: str, text: str) -> None:
    """Published digits are plain, and their zeros are kept."""
    assert exact_text(Decimal(value)) == text


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("21.4 °C", "21.4"),
        ("-5C", "-5"),
        ("68 °F", "20"),  # NIST SP 811 (2008), B.8: t/°C = (t/°F - 32)/1.8; ISO 1:2022 has 20 °C
        ("70.5 degF", "21.388889"),
        ("-40 F", "-40"),
        ("-273.15 °C", "-273.15"),  # the kelvin scale's zero (NIST SP 811, B.8): nothing is colder
    ],
)
def test_temperatures_come_in_celsius_or_fahrenheit(text: str, celsius: str) -> None:
    """A temperature is read from either scale, Fahrenheit to a millionth of a degree."""
    assert parse_temperature_c(text) == Decimal(celsius)


@pytest.mark.parametrize(
    "text", ["21.4", "293 K", "-273.16 °C", "-460 °F", "1e1 °C", "٢٠ °C", "20 °X", "NaN °C"]
)
def test_a_temperature_needs_its_scale_and_must_exist(text: str) -> None:
    """No scale, kelvin, other digits or less than absolute zero is no temperature of a part."""
    with pytest.raises(ValueRefused) as refused:
        parse_temperature_c(text)
    assert refused.value.hint


def test_a_difference_of_temperatures_is_in_kelvin_and_not_negative() -> None:
    """A spread is written in K or °C; Fahrenheit or a sign would mean something else."""
    assert parse_difference_k("0.5 K") == parse_difference_k("0.5 °C") == Decimal("0.5")
    for text in ("0.9 °F", "-0.5 K", "0.5"):
        with pytest.raises(ValueRefused):
            parse_difference_k(text)
