"""Hole classes, against ISO 286-1's printed cases, ISO 286-2 from memory, and an independent library (`pressfit`)."""

from decimal import Decimal

import pytest
from hypothesis import given, strategies as st
from pressfit import fit

from gaugepost.core.errors import ValueRefused
from gaugepost.core.iso286 import UPPER_EDGES_MM, HoleClass, hole_class, standard_tolerance_um

LETTERS = ["D", "E", "F", "G", "H", "JS", "K", "M", "N", "P"]
GRADES = range(5, 12)
JUST_OVER = Decimal("0.001")
SIZES = [
    size
    for low, high in zip((0, *UPPER_EDGES_MM), UPPER_EDGES_MM, strict=False)
    for size in (low + JUST_OVER, Decimal(high))
]
"""First and last size of every band."""


def covered(size: Decimal, letter: str, grade: int) -> bool:
    """Whether ISO 286-1 has the class at this size."""
    return not (grade > 8 and ((letter == "K" and size > 3) or (letter == "N" and size <= 1)))


CASES = [
    (size, letter, grade)
    for size in SIZES
    for letter in LETTERS
    for grade in GRADES
    if covered(size, letter, grade)
]


def deviations(size: str, code: str) -> tuple[str, str]:
    found = hole_class(Decimal(size), code)
    return str(found.upper_um), str(found.lower_um)


@pytest.mark.parametrize(
    ("size", "code", "lower", "upper"),
    [
        ("25", "H7", "25.000", "25.021"),
        ("38", "H7", "38.000", "38.025"),
        ("50", "G6", "50.009", "50.025"),
        ("60", "N7", "59.961", "59.991"),
        ("120", "JS7", "119.9825", "120.0175"),
        ("16", "F8", "16.016", "16.043"),
        ("40", "E9", "40.050", "40.112"),
        ("75", "D10", "75.100", "75.220"),
    ],
)
def test_printed_limits(size: str, code: str, lower: str, upper: str) -> None:
    """Limits agree with those printed from ISO 286-1:2010."""
    found = hole_class(Decimal(size), code)
    assert Decimal(size) + found.lower_um / 1000 == Decimal(lower)
    assert Decimal(size) + found.upper_um / 1000 == Decimal(upper)


@pytest.mark.parametrize(
    ("code", "upper"),
    [
        # ISO 286-2:2010, ES by band, from memory; the fifth grades prove the IT4 column, which no other class uses
        ("K5", (0, 0, 1, 2, 1, 2, 3, 2, 3, 2, 3)),
        ("K7", (0, 3, 5, 6, 6, 7, 9, 10, 12, 13, 16)),
        ("M7", (-2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)),
        ("N7", (-4, -4, -4, -5, -7, -8, -9, -10, -12, -14, -14)),
        ("P7", (-6, -8, -9, -11, -14, -17, -21, -24, -28, -33, -36)),
        ("N9", (-4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)),
        ("P8", (-6, -12, -15, -18, -22, -26, -32, -37, -43, -50, -56)),
        ("P9", (-6, -12, -15, -18, -22, -26, -32, -37, -43, -50, -56)),
    ],
)
def test_upper_deviations_of_holes_that_grip(code: str, upper: tuple[int, ...]) -> None:
    """Holes K to P have the deviations that ISO 286-2 tabulates (from memory)."""
    assert tuple(hole_class(Decimal(edge), code).upper_um for edge in UPPER_EDGES_MM) == upper


def test_the_one_exception() -> None:
    """M6 over 250 to 315 mm has ES = -9 µm where the rule gives -11, and its neighbours follow the rule (ISO 286-1)."""
    assert deviations("315", "M6") == deviations("250.001", "M6") == ("-9", "-41")
    assert deviations("250", "M6") == ("-8", "-37")
    assert deviations("315", "M5") == ("-13", "-36")
    assert deviations("315", "M8") == ("9", "-72")


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("size", SIZES)
def test_holes_h_agree_with_another_hand(size: Decimal, grade: int) -> None:
    """Every H of every band is what `pressfit` has, at both edges of the band."""
    theirs = fit(f"H{grade}/h{grade}", float(size))
    ours = hole_class(size, f"H{grade}")
    assert (ours.upper_um, ours.lower_um, ours.it_um) == (
        theirs.hole_es_um,
        theirs.hole_ei_um,
        theirs.hole_es_um,
    )
    assert standard_tolerance_um(size, grade) == theirs.hole_es_um


@pytest.mark.parametrize("letter", ["D", "E", "F", "G", "JS"])
@pytest.mark.parametrize("size", SIZES)
def test_loose_holes_mirror_the_shafts_of_another_hand(size: Decimal, letter: str) -> None:
    """A hole D to G begins where its letter's shaft ends, mirrored (ISO 286-1, from memory), and JS is as js."""
    for grade in GRADES:
        theirs = fit(f"H{grade}/{letter.lower()}{grade}", float(size))
        ours = hole_class(size, f"{letter}{grade}")
        assert (-ours.lower_um, -ours.upper_um) == (Decimal(theirs.shaft_es_um), Decimal(theirs.shaft_ei_um))


@pytest.mark.parametrize(("letter", "last"), [("K", 8), ("M", 8), ("N", 8), ("P", 7)])
@pytest.mark.parametrize("size", [size for size in SIZES if size > 3])
def test_tight_holes_give_the_fit_that_their_shafts_give(size: Decimal, letter: str, last: int) -> None:
    """P7/h6 fits as H7/p6 does, which is what delta is for (ISO 286-1, from memory); the other fit is `pressfit`'s."""
    for grade in range(6, last + 1):
        if (letter, grade) == ("M", 6) and size > 250:
            continue  # the standard's exception, held above
        theirs = fit(f"H{grade}/{letter.lower()}{grade - 1}", float(size))
        ours = hole_class(size, f"{letter}{grade}")
        finer = fit(f"H{grade - 1}/h{grade - 1}", float(size)).hole_es_um
        assert (ours.lower_um, ours.upper_um + finer) == theirs.clearance_um


@pytest.mark.parametrize("letter", ["M", "N", "P"])
def test_tight_holes_to_3_mm_mirror_the_shafts_of_another_hand(letter: str) -> None:
    """Up to 3 mm there is no delta: ES is the shaft's ei, mirrored, at every grade."""
    for size in (Decimal("1.001"), Decimal(3)):
        for grade in GRADES:
            theirs = fit(f"H{grade}/{letter.lower()}{grade}", float(size))
            assert hole_class(size, f"{letter}{grade}").upper_um == -theirs.shaft_ei_um


def test_every_class_is_as_wide_as_its_grade() -> None:
    """ES less EI is the IT value, JS halves included."""
    for size, letter, grade in CASES:
        found = hole_class(size, f"{letter}{grade}")
        assert found.upper_um - found.lower_um == found.it_um == standard_tolerance_um(size, grade)
        assert (found.code, found.grade) == (f"{letter}{grade}", grade)


@pytest.mark.parametrize("grade", [5, 6, 7])
def test_letters_go_from_loose_to_tight(grade: int) -> None:
    """From D to P every letter lies lower than the one before."""
    for size in SIZES:
        lower = [hole_class(size, f"{letter}{grade}").lower_um for letter in LETTERS]
        assert lower == sorted(lower, reverse=True)
        assert len(set(lower)) == len(lower)


def test_bands_and_grades_only_grow() -> None:
    """No larger size and no coarser grade has a smaller tolerance."""
    for grade in GRADES:
        widths = [standard_tolerance_um(size, grade) for size in SIZES]
        assert widths == sorted(widths)
        assert all(
            standard_tolerance_um(size, grade - 1) < standard_tolerance_um(size, grade) for size in SIZES[2:]
        )


@given(
    st.decimals(min_value="0.0001", max_value=315, places=4),
    st.sampled_from(LETTERS),
    st.sampled_from(list(GRADES)),
)
def test_a_band_is_over_its_first_and_up_to_its_last_size(size: Decimal, letter: str, grade: int) -> None:
    """Every size takes the deviations of its band's last size, and a band ends with that size."""
    if not covered(size, letter, grade):
        return
    edge = min(edge for edge in UPPER_EDGES_MM if size <= edge)
    assert hole_class(size, f"{letter}{grade}") == hole_class(Decimal(edge), f"{letter}{grade}")


def test_small_sizes_have_their_own_rules() -> None:
    """N above IT8 is -4 µm over 1 to 3 mm and not used to 1 mm; K above IT8 is 0 to 3 mm and not tabulated over it."""
    assert deviations("1.001", "N9") == ("-4", "-29")
    assert deviations("3.001", "N9") == ("0", "-30")
    assert deviations("1", "N8") == ("-4", "-18")
    assert deviations("3", "K9") == ("0", "-25")
    for size, code in (("1", "N9"), ("0.5", "N11"), ("3.001", "K9"), ("100", "K11")):
        with pytest.raises(ValueRefused, match=code) as refused:
            hole_class(Decimal(size), code)
        assert "deviations" in refused.value.hint


@pytest.mark.parametrize(
    ("code", "finding"),
    [
        *((code, "shaft") for code in ("h7", "g6", "js7", "k6", "p11", "h12")),
        *((code, "capitals") for code in ("Js7", "jS7", "Cd7")),
        *(
            (code, "not covered, only D")
            for code in ("J7", "C11", "A11", "R7", "S7", "U7", "CD7", "EF7", "FG6", "O7")
        ),
        *((code, "grade") for code in ("H4", "H12", "H1", "H01", "H0", "H07", "JS18")),
        *(
            (code, "not a tolerance class")
            for code in ("H", "7", "H7/g6", "H 7", "H7 ", "", "H-7", "H٧", "Η7", "H777")
        ),
    ],
)
def test_what_is_not_covered_is_refused(code: str, finding: str) -> None:
    """A shaft is never taken for a hole, IT07 never for IT7, and nothing for its neighbour."""
    with pytest.raises(ValueRefused, match=finding) as refused:
        hole_class(Decimal(25), code)
    assert "write" in refused.value.hint


@pytest.mark.parametrize("size", ["0", "-25", "315.0001", "400"])
def test_sizes_outside_the_tables_are_refused(size: str) -> None:
    """The tables begin above 0 and end with 315 mm."""
    with pytest.raises(ValueRefused) as refused:
        hole_class(Decimal(size), "H7")
    assert refused.value.hint


def test_a_class_says_all_of_itself() -> None:
    """Code, grade, IT value and deviations are kept together."""
    assert hole_class(Decimal(38), "H7") == HoleClass("H7", 7, 25, Decimal(25), Decimal(0))
