"""A material's name stands for its handbook coefficient, however it is written."""

from __future__ import annotations

from decimal import Decimal as D

import pytest

from gaugepost.core.errors import ValueRefused
from gaugepost.core.materials import ALIASES, COEFFICIENTS, coefficient_of


def test_capitals_and_blanks_do_not_matter() -> None:
    """Steel is that of JCGM 100:2008, H.1 (11.5e-6/K), under each of its names; so is aluminium (Swyt 1994: 23.1)."""
    for name in ("gauge steel", "Gage Steel", "  STEEL ", "gauge  steel"):
        assert coefficient_of(name) == D("11.5E-6")
    assert coefficient_of("Aluminum") == coefficient_of("aluminium") == D("23.1E-6")


def test_every_name_that_is_known_is_found() -> None:
    """What the hints list can be written, and another name is another name of something that is listed."""
    assert all(coefficient_of(name) == value for name, value in COEFFICIENTS.items())
    assert all(coefficient_of(alias) == COEFFICIENTS[name] for alias, name in ALIASES.items())


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("titanium ti-6al-4w", 'write "titanium Ti-6Al-4V", or the coefficient itself'),
        ("aluminim", 'write "aluminium", or the coefficient itself'),
        (f"gauge steel{' ' * 200}bar", 'write "gauge steel", or the coefficient itself'),
        ("steel 4141", 'write "steel 4140", or the coefficient itself'),
    ],
)
def test_a_name_that_is_nearly_one_is_told(written: str, hint: str) -> None:
    """Who mistypes a material reads how it is written here."""
    with pytest.raises(ValueRefused) as refused:
        coefficient_of(written)
    assert refused.value.hint == hint


@pytest.mark.parametrize("written", ["", "unobtainium alloy", "x" * 100_000])
def test_a_name_that_is_like_none_gets_the_list(written: str) -> None:
    """What nobody could mean is answered with all there is, in few words whatever was written."""
    with pytest.raises(ValueRefused) as refused:
        coefficient_of(written)
    assert refused.value.hint == f"write one of {', '.join(COEFFICIENTS)}, or the coefficient itself"
    assert len(str(refused.value)) < 600
