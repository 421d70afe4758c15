"""A drawing's words become exact limits, or are refused with what to write; nothing in between is guessed."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, strategies as st

from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import MM_PER_UNIT, Length, Unit, exact_text, parse_length
from gaugepost.core.setup import Feature
from gaugepost.core.tolerance import Limits, from_class, from_deviations, from_limits, parse_limits

MM, INCH = Unit.MM, Unit.INCH


Said = tuple[Decimal | None, Decimal | None, Unit, Decimal]


def said(limits: Limits) -> Said:
    return limits.lower_mm, limits.upper_mm, limits.unit, limits.step


def expected(lower: str | None, upper: str | None, unit: Unit, step: str) -> Said:
    return Decimal(lower) if lower else None, Decimal(upper) if upper else None, unit, Decimal(step)


@pytest.mark.parametrize(
    ("text", "lower", "upper", "unit", "step"),
    [
        # two limits
        ("30.010..30.034 mm", "30.010", "30.034", MM, "0.001"),
        ("30.01 mm .. 30.034 mm", "30.010", "30.034", MM, "0.001"),
        ("30.010…30.034mm", "30.010", "30.034", MM, "0.001"),
        ("30.010 to 30.034 mm", "30.010", "30.034", MM, "0.001"),
        ("30.010 mm..30.034", "30.010", "30.034", MM, "0.001"),
        ("8..9 mm", "8", "9", MM, "1"),
        (".6250 .. .6257 in", "15.875", "15.89278", INCH, "0.0001"),
        ('.6250" .. .6257"', "15.875", "15.89278", INCH, "0.0001"),
        # one limit
        (">= 12.400 mm", "12.400", None, MM, "0.001"),
        ("≥12.4mm", "12.4", None, MM, "0.1"),
        ("min 12.400 mm", "12.400", None, MM, "0.001"),
        ("12.400 mm MIN", "12.400", None, MM, "0.001"),
        ("<= 0.5000 in", None, "12.7", INCH, "0.0001"),
        ("≤ 12.7 mm", None, "12.7", MM, "0.1"),
        ("Max 12.7 mm", None, "12.7", MM, "0.1"),
        ("12.7 mm max", None, "12.7", MM, "0.1"),
        # nominal and deviations
        ("0.6250 in +0.0007/-0", "15.875", "15.89278", INCH, "0.0001"),
        ("0.6250 in -0/+0.0007", "15.875", "15.89278", INCH, "0.0001"),
        (".6250 +.0007/-.0000 in", "15.875", "15.89278", INCH, "0.0001"),
        ("40 mm +0.025/+0.009", "40.009", "40.025", MM, "0.001"),
        ("40 mm +0.009/+0.025", "40.009", "40.025", MM, "0.001"),
        ("40 mm -0.010/-0.025", "39.975", "39.990", MM, "0.001"),
        ("40 mm −0.010 / −0.025", "39.975", "39.990", MM, "0.001"),  # the minus sign proper
        ("40 mm –0.010/–0.025", "39.975", "39.990", MM, "0.001"),  # the dash that text programs make of it
        ("40 mm +0/-0.0005", "39.9995", "40", MM, "0.0001"),
        ("40 mm 0/-0.0005", "39.9995", "40", MM, "0.0001"),
        ("40 mm +0.025 -0.010", "39.990", "40.025", MM, "0.001"),
        ("40+0.025/-0.010 mm", "39.990", "40.025", MM, "0.001"),
        ("40 mm ±0.01", "39.99", "40.01", MM, "0.01"),
        ("40 ± 0.01 mm", "39.99", "40.01", MM, "0.01"),
        ("40 mm +/-0.010", "39.99", "40.01", MM, "0.001"),
        # deviations with a unit of their own
        ("40 mm +25 µm/0", "40", "40.025", MM, "0.001"),
        ("40 mm +25 μm/+9um", "40.009", "40.025", MM, "0.001"),
        ("40 mm ±10 µm", "39.99", "40.01", MM, "0.001"),
        ("0.5 in +700 µin/-0", "12.7", "12.71778", INCH, "0.000001"),
        ("500000 µin ±100", "12.69746", "12.70254", INCH, "0.000001"),
        ("12700 µm ±5", "12.695", "12.705", MM, "0.001"),
        ("25.4 mm +0.001 in/0", "25.4", "25.4254", MM, "0.0001"),
        ("0.5 in +25 µm/0", "12.7", "12.725", INCH, "0.00001"),
        # ISO 286-1:2010 classes, printed limits; the first three in every way of writing
        ("38 H7", "38.000", "38.025", MM, "0.001"),
        ("38H7", "38.000", "38.025", MM, "0.001"),
        ("⌀38 mm H7", "38.000", "38.025", MM, "0.001"),
        ("ø 38 H7", "38.000", "38.025", MM, "0.001"),
        ("60 N7", "59.961", "59.991", MM, "0.001"),
        ("120 JS7", "119.9825", "120.0175", MM, "0.0001"),
        ("75 D10", "75.100", "75.220", MM, "0.001"),
        ("7.9375 H7", "7.9375", "7.9525", MM, "0.0001"),
        ("1.25 in H7", "31.750", "31.775", INCH, "0.00001"),
        ('1.25"H7', "31.750", "31.775", INCH, "0.00001"),
    ],
)
def test_ways_of_saying_limits(
    text: str, lower: str | None, upper: str | None, unit: Unit, step: str
) -> None:
    """Every way a drawing has of saying limits gives them exactly, with its own unit and finest digit."""
    limits = parse_limits(text)
    assert said(limits) == expected(lower, upper, unit, step)
    assert limits.source == text


@pytest.mark.parametrize(
    ("text", "finding"),
    [
        # no limits, or not all of it
        ("", "no way of writing"),
        ("40 mm", "size without limits"),
        ("40", "size without limits"),
        ("H7", "no nominal size"),
        ("40 mm +0.025", "one deviation only"),
        ("30.010..30.034", "no unit"),
        (">= 12.4", "no unit"),
        ("40 +0.025/0", "no unit"),
        ("40 ±10 µm", "no unit"),  # 40 what?
        # limits that can't be
        ("30.034..30.010 mm", "wrong way round"),
        ("30..30.000 mm", "equal"),
        ("40 mm +0.1/+0.1", "equal"),
        ("40 mm ±0", "equal"),
        ("0..5 mm", "lower limit is 0"),
        ("0.5 mm ±0.5", "lower limit is 0"),
        ("0.1 in ±0.2", "lower limit is -0.1 in"),
        ("0 mm +1/+2", "nominal size is 0"),
        ("0 H7", "not above 0"),
        ("<= 0 mm", "upper limit is 0"),
        ("-40 mm ±1", "sign"),
        ("+40 mm ±1", "sign"),
        # units left open or unknown
        ("40 mm +25/+9 µm", "unit open"),
        ("40 mm +25/0 µm", "unit open"),
        ("40 mm +25 µm/+9", "unit open"),
        ("0.5 in +0.01/-0.01 mm", "unit open"),
        ("5 mm..0.3 in", "two units"),
        ("40 cm ±1", "'cm'"),
        ("30 to 31 to 32 mm", "no way of writing"),
        ("40 MM ±1", "'MM'"),
        # numbers that are none
        ("40,02 mm ±1", "comma"),
        ("0.021...25 mm", "three points"),
        ("40 mm +1E-3/0", "'E'"),
        ("40 mm ±1_0", "no way of writing"),
        ("٤٠ mm ±1", "no way of writing"),
        ("NaN mm ±1", "no way of writing"),
        ("1 1/2 in", "no sign"),
        ("40 mm 0.025/0.009", "no sign"),
        ("400/-0.016 mm", "no way of writing"),  # not a size of 40 with a deviation of 0
        ("38.5.2/-0.1 mm", "no way of writing"),
        ("40 mm ± -0.01", "no way of writing"),
        ("> 12 mm", "no way of writing"),
        ("1.123456789012345678901 mm ±1", "20 digits"),
        ("12345678901234567890 mm +0.0000000000000000001/0", "digits than can be kept"),
        ("4" * 121, "120 characters"),
        ("4" * 120, "size without limits"),
        # classes
        ("38 h7", "shaft"),
        ("38 js7", "shaft"),
        ("38 Js7", "capitals"),
        ("38 J7", "not covered"),
        ("38 H07", "grade"),
        ("38 H12", "grade"),
        ("315.001 H7", "315 mm"),
        ("12.41 in H7", "315 mm"),
        ("38 H7/g6", "'/g6'"),
        ("38 H7 mm", "'mm'"),
        ("38 H7 Ⓔ", "envelope"),
        ("38 H7 (M)", "maximum material"),
    ],
)
def test_what_is_refused(text: str, finding: str) -> None:
    """What is not limits, or could mean two things, is refused: what is wrong, and what to write."""
    with pytest.raises(ValueRefused) as refused:
        parse_limits(text)
    assert finding in refused.value.finding
    assert len(refused.value.hint) > 10
    assert "\n" not in str(refused.value)


def test_hints_write_what_is_accepted() -> None:
    """Whatever a hint or the function's contract writes in quotes as limits is accepted."""
    with pytest.raises(ValueRefused) as refused:
        parse_limits("40 mm")
    written = (refused.value.hint + (parse_limits.__doc__ or "")).split('"')[1::2]
    assert len(written) > 12
    for text in written:
        assert parse_limits(text).source == text


NUMBERS = st.decimals(min_value="0.0001", max_value=500, places=5).map(exact_text)
DEVIATIONS = st.decimals(min_value="-0.5", max_value="0.5", places=6)


@given(NUMBERS, DEVIATIONS, DEVIATIONS, st.sampled_from([MM, INCH]))
def test_limits_are_exact(nominal: str, one: Decimal, other: Decimal, unit: Unit) -> None:
    """Nominal plus deviation is the limit, to the last digit, in mm and inches; else the sum can't be a limit."""
    text = f"{nominal} {unit} {one:+f}/{other:+f}"
    low, high = (Fraction(nominal) + Fraction(part) for part in (min(one, other), max(one, other)))
    factor = Fraction(MM_PER_UNIT[unit])
    if low <= 0 or low == high:
        with pytest.raises(ValueRefused):
            parse_limits(text)
        return
    limits = parse_limits(text)
    assert limits.lower_mm is not None
    assert limits.upper_mm is not None
    assert (Fraction(limits.lower_mm), Fraction(limits.upper_mm)) == (low * factor, high * factor)
    assert limits.tolerance_mm is not None
    assert Fraction(limits.tolerance_mm) == (high - low) * factor
    assert limits.nominal_mm == Decimal(nominal) * MM_PER_UNIT[unit]


@given(NUMBERS, DEVIATIONS.filter(bool))
def test_the_order_of_deviations_does_not_matter(nominal: str, one: Decimal) -> None:
    """Upper first or lower first, the larger deviation makes the upper limit."""
    texts = [f"{nominal} mm {one:+f}/+0.6", f"{nominal} mm +0.6/{one:+f}"]
    if Decimal(nominal) + one <= 0:
        return
    first, second = map(parse_limits, texts)
    assert said(first) == said(second)


def answer_to(text: str) -> Limits | ValueRefused:
    try:
        return parse_limits(text)
    except ValueRefused as refused:
        return refused


PIECES = st.sampled_from(
    [
        *"0123456789.+-±/ ",
        "..",
        "…",
        "mm",
        "in",
        "µm",
        '"',
        "H7",
        "h7",
        "JS6",
        ">=",
        "<=",
        "max",
        "to",
        "ø",
        "40",
        "0.01",
    ]
)


@given(st.one_of(st.text(max_size=40), st.lists(PIECES, max_size=12).map("".join)))
def test_any_text_gives_sound_limits_or_a_refusal(text: str) -> None:
    """Whatever is written, the answer is limits above 0 and in order, or a refusal that says what to write."""
    limits = answer_to(text)
    if isinstance(limits, ValueRefused):
        assert limits.hint
        return
    sizes = [size for size in (limits.lower_mm, limits.upper_mm) if size is not None]
    assert sizes
    assert all(size > 0 for size in sizes)
    assert sizes == sorted(set(sizes))
    assert limits.step == Decimal(1).scaleb(limits.step.adjusted()) <= 1


def test_a_class_knows_its_feature() -> None:
    """A capital letter means a bore (ISO 286-1); limits alone do not say what they are limits of."""
    assert parse_limits("38 H7").feature is Feature.BORE
    assert parse_limits("38.000..38.025 mm").feature is None


def test_split_values_give_the_same_limits() -> None:
    """A station file that gives size, deviations and limits apart gets what the text gets."""
    nominal = parse_length("0.6250 in")
    assert said(from_deviations(nominal, parse_length("0.0007 in"), parse_length("0 in"))) == said(
        parse_limits("0.6250 in +0.0007/0")
    )
    assert said(from_limits(parse_length("30.010 mm"), parse_length("30.034 mm"), MM)) == said(
        parse_limits("30.010..30.034 mm")
    )
    assert said(from_class(parse_length("38 mm"), "H7")) == said(parse_limits("38 H7"))
    with pytest.raises(ValueRefused, match="neither"):
        from_limits(None, None, MM)


def test_the_source_of_split_values_says_the_same() -> None:
    """The source made from split values is itself a way of writing those limits."""
    low, high = parse_length("30.010 mm"), parse_length("30.034 mm")
    for limits in (
        from_limits(low, None, MM),
        from_limits(None, low, MM),
        from_limits(low, high, MM),
        from_deviations(parse_length("40 mm"), parse_length("25 µm"), parse_length("-9 µm")),
        from_class(parse_length("1.25 in"), "H7"),
    ):
        assert said(parse_limits(limits.source)) == said(limits)


@pytest.mark.parametrize(
    ("text", "tolerance_mm"),
    [
        ("38.000..38.025 mm", "0.025"),
        ("0.6250 in +0.0007/0", "0.01778"),
        (">= 38 mm", None),
        ("<= 38 mm", None),
    ],
)
def test_one_limit_leaves_no_tolerance(text: str, tolerance_mm: str | None) -> None:
    """Between two limits is a tolerance, exact in mm; beside a single one there is none."""
    assert parse_limits(text).tolerance_mm == (tolerance_mm and Decimal(tolerance_mm))


def test_a_drawing_in_inches_may_have_limits_in_mm() -> None:
    """The drawing's unit is what it is said to be, and the step is fine enough for the digits that were written."""
    limits = from_limits(Length(Decimal("30.010"), MM), None, INCH)
    assert said(limits) == expected("30.010", None, INCH, "0.00001")


def test_restating_changes_no_limit() -> None:
    """Limits stated in another unit are the same limits; the step is the next finer power of ten."""
    limits = parse_limits("38 H7")
    inch = limits.stated_in(INCH)
    assert said(inch) == expected("38.000", "38.025", INCH, "0.00001")
    assert (inch.hole, inch.nominal_mm, inch.source) == (limits.hole, limits.nominal_mm, limits.source)
    assert limits.stated_in(MM) == limits
