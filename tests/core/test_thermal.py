"""The correction to 20 °C against worked values.

Source of the formulas and tables: derived from the definition of linear expansion with ISO 1:2022's reference
temperature; the third row is JCGM 100:2008 (GUM), H.1, end-gauge calibration.
"""

from decimal import Decimal as D

import pytest
from hypothesis import given, strategies as st

from gaugepost.core.mastering import Line, Temperatures, correct
from gaugepost.core.thermal import Expansion, part_at_20, span_on_master

STEEL = D("11.5E-6")  # GUM H.1; Swyt, J. Res. NIST 99 (1994) 31
ALUMINIUM_6061 = D("23.6E-6")  # Callister, Table B.6


@pytest.mark.parametrize(
    ("size", "master_c", "moved", "part_c", "part_coefficient", "expected", "ignored_um"),
    [
        ("50", "21.5", "0.005", "24.0", ALUMINIUM_6061, "50.0011424", "3.858"),
        ("50", "23", "0.005", "23", STEEL, "50.0049998", "0.000"),
        ("50.000623", "19.9", "0.000215", "19.9", STEEL, "50.0008380", "0.000"),
    ],
    ids=["aluminium part warmer than the ring", "all at 23 °C", "GUM H.1"],
)
def test_worked_corrections(
    size: str, master_c: str, moved: str, part_c: str, part_coefficient: D, expected: str, ignored_um: str
) -> None:
    """With the gauge at 20 °C throughout, the corrected size and the error of ignoring it are the worked ones."""
    line = Line((D("1.000"),), (D(size),), 1)
    gauge = Expansion(STEEL)
    span = span_on_master(D(size), master_coefficient=STEEL, master_c=D(master_c), gauge=gauge, gauge_c=D(20))
    warm = Line((D("1.000"),), (span,), 1)
    temperatures = Temperatures(gauge, D(20), D(20), part_coefficient, D(part_c))
    corrected = correct(D("1.000") + D(moved), line, warm, temperatures)
    assert corrected.value_mm.quantize(D("1E-7")) == D(expected)
    assert corrected.thermal_mm is not None
    assert abs(corrected.thermal_mm * 1000).quantize(D("0.001")) == D(ignored_um)


def test_gauge_grows_with_the_part() -> None:
    """A gauge of the part's own steel that warms with it shows the size at 20 °C; leaving the gauge out does not."""
    at_24 = {"part_coefficient": STEEL, "part_c": D(24), "gauge_at_mastering_c": D(20)}
    with_gauge = part_at_20(D(50), gauge=Expansion(STEEL), gauge_c=D(24), **at_24)
    without = part_at_20(D(50), gauge=Expansion(D(0)), gauge_c=D(24), **at_24)
    assert with_gauge == 50
    assert without.quantize(D("1E-6")) == D("49.997700")


def test_micrometer_zeroed_closed() -> None:
    """A gauge mastered on nothing (contacts closed, size 0) has a span that grows with it all the same."""
    gauge = Expansion(STEEL)
    span = span_on_master(D(0), master_coefficient=STEEL, master_c=D(24), gauge=gauge, gauge_c=D(24))
    line, warm = Line((D(0),), (D(0),), 1), Line((D(0),), (span,), 1)
    corrected = correct(D(50), line, warm, Temperatures(gauge, D(24), D(24), STEEL, D(24)))
    assert corrected.value_mm == 50


def test_drift_replaces_growth() -> None:
    """A declared drift in µm/K acts on the change of the gauge's temperature since mastering, and on nothing else."""
    gauge = Expansion(None, D("0.0008"))
    span = span_on_master(D(38), master_coefficient=STEEL, master_c=D(20), gauge=gauge, gauge_c=D(25))
    assert span == 38
    size = part_at_20(
        span, gauge=gauge, gauge_c=D(28), gauge_at_mastering_c=D(25), part_coefficient=STEEL, part_c=D(20)
    )
    assert size == D("38.0024")


lengths = st.decimals("-100", "500", places=5)
temperatures_c = st.decimals("10", "35", places=2)
coefficients = st.decimals("0", "3E-5", places=7)


@given(
    x=lengths,
    xm=lengths,
    size=st.decimals("0.1", "500", places=5),
    t=temperatures_c,
    a=coefficients,
    q=st.sampled_from([1, -1]),
)
def test_parts_add_up_exactly(x: D, xm: D, size: D, t: D, a: D, q: int) -> None:
    """The corrected value is the turned indication plus its corrections, to the last digit."""
    gauge = Expansion(STEEL)
    span = span_on_master(size, master_coefficient=a, master_c=t, gauge=gauge, gauge_c=t)
    corrected = correct(x, Line((xm,), (size,), q), Line((xm,), (span,), q), Temperatures(gauge, t, t, a, t))
    assert corrected.thermal_mm is not None
    assert corrected.value_mm == q * x + corrected.master_mm + corrected.thermal_mm


@given(t=temperatures_c, a=coefficients, moved=st.decimals("-1", "1", places=4))
def test_one_temperature_one_material_cancels(t: D, a: D, moved: D) -> None:
    """Master, gauge and part of one material at one temperature need no thermal correction beyond 1e-9 mm."""
    gauge = Expansion(a)
    span = span_on_master(D(40), master_coefficient=a, master_c=t, gauge=gauge, gauge_c=t)
    corrected = correct(
        D(40) + moved,
        Line((D(40),), (D(40),), 1),
        Line((D(40),), (span,), 1),
        Temperatures(gauge, t, t, a, t),
    )
    assert corrected.thermal_mm == 0


def test_two_masters_give_offset_and_scale() -> None:
    """Between and beyond two masters a gauge with a wrong scale is put right."""
    line = Line((D("39.980"), D("40.080")), (D("40.000"), D("40.101")), 1)
    assert line.at(D("40.030")) == D("40.0505")
    assert line.at(D("39.980")) == D("40.000")
    assert correct(D("40.080"), line, None, None).value_mm == D("40.101")
