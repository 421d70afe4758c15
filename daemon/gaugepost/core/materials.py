"""Coefficients of linear thermal expansion, so that a station file can name a material instead of a number.

Handbook values at about 20 °C, without an uncertainty of their own. A certificate's value is better: write it as
`coefficient`.
"""

from __future__ import annotations

import difflib
from decimal import Decimal

from gaugepost.core.errors import ValueRefused

COEFFICIENTS: dict[str, Decimal] = {
    # JCGM 100:2008, H.1; Swyt, J. Res. NIST 99 (1994) 31.
    "gauge steel": Decimal("11.5E-6"),
    # Swyt, J. Res. NIST 99 (1994) 31.
    "aluminium": Decimal("23.1E-6"),
    # Callister, Materials Science and Engineering, Table B.6.
    "aluminium 6061": Decimal("23.6E-6"),
    "aluminium 2024": Decimal("22.9E-6"),
    "aluminium 7075": Decimal("23.4E-6"),
    "brass": Decimal("20.5E-6"),  # free-cutting
    "titanium Ti-6Al-4V": Decimal("8.6E-6"),
    "grey cast iron": Decimal("11.4E-6"),
    "ductile iron": Decimal("11.2E-6"),
    "steel 1020": Decimal("11.7E-6"),
    "steel 1040": Decimal("11.3E-6"),
    "steel 4140": Decimal("12.3E-6"),
    "stainless 304": Decimal("17.2E-6"),
    "stainless 316": Decimal("15.9E-6"),
    "iron-nickel 36 %": Decimal("1.6E-6"),
    # From memory: 4 to 7 by binder content, and one grade of zirconia.
    "tungsten carbide": Decimal("4.5E-6"),
    "zirconia ceramic": Decimal("9.2E-6"),
}
"""1/K by the material's name; each group's source stands above it."""

ALIASES: dict[str, str] = {
    "steel": "gauge steel",
    "gage steel": "gauge steel",
    "aluminum": "aluminium",
    "aluminum 6061": "aluminium 6061",
    "aluminum 2024": "aluminium 2024",
    "aluminum 7075": "aluminium 7075",
    "titanium": "titanium Ti-6Al-4V",
    "ti-6al-4v": "titanium Ti-6Al-4V",
    "cast iron": "grey cast iron",
    "gray cast iron": "grey cast iron",
    "nodular iron": "ductile iron",
    "iron-nickel 36": "iron-nickel 36 %",
    "feni36": "iron-nickel 36 %",
    "carbide": "tungsten carbide",
    "zirconia": "zirconia ceramic",
    "ceramic": "zirconia ceramic",
}
"""Other names for the same, in lower case."""

_BY_NAME = {name.casefold(): value for name, value in COEFFICIENTS.items()} | {
    alias: COEFFICIENTS[name] for alias, name in ALIASES.items()
}


def coefficient_of(material: str) -> Decimal:
    """Return the expansion coefficient of `material` in 1/K; capitals don't matter.

    Raises:
        ValueRefused: no such material; the hint names the nearest.
    """
    folded = " ".join(material.casefold().split())
    if folded in _BY_NAME:
        return _BY_NAME[folded]
    near = difflib.get_close_matches(folded, _BY_NAME, n=1)
    names = {name.casefold(): name for name in COEFFICIENTS}
    hint = f'write "{names.get(near[0], near[0])}"' if near else f"write one of {', '.join(COEFFICIENTS)}"
    raise ValueRefused(
        f"{material[:60]!r} is not a material known here", hint=f"{hint}, or the coefficient itself"
    )
