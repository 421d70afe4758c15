"""Which heading stands for which key of a characteristic: plain words, English and German, and the keys too."""

from __future__ import annotations

from gaugepost.core.errors import ValueRefused
from gaugepost.edge.stationfile.findings import either, nearest, toml

HEADINGS: dict[str, tuple[str, ...]] = {
    "name": ("name", "characteristic", "merkmal"),
    "feature": ("feature", "kind", "art"),
    "limits": ("limits", "limits of size", "grenzmaße", "maß"),
    "nominal": ("nominal", "nominal size", "nennmaß"),
    "upper_deviation": ("upper deviation", "oberes abmaß"),
    "lower_deviation": ("lower deviation", "unteres abmaß"),
    "tolerance_class": ("tolerance class", "class", "toleranzklasse"),
    "lower": ("lower limit", "lower", "minimum", "mindestmaß"),
    "upper": ("upper limit", "upper", "maximum", "höchstmaß"),
    "unit": ("unit", "einheit"),
    "gauges": ("gauges", "gauge", "messgerät", "messgeräte"),
    "masters": ("masters", "master", "meister"),
    "readings": ("readings", "messungen"),
    "positions": ("places", "place", "positions", "stellen"),
    "part_material": ("material", "werkstoff"),
    "step": ("step", "schritt"),
    "decision_rule": ("decision rule", "entscheidungsregel"),
}
"""Key of the station file: what a heading may say for it, the first as it is documented."""

KNOWN = tuple(names[0] for names in HEADINGS.values())

LIMIT_KEYS = (
    "limits",
    "nominal",
    "upper_deviation",
    "lower_deviation",
    "tolerance_class",
    "lower",
    "upper",
)

_KEYS = {name: key for key, names in HEADINGS.items() for name in (key, *names)}


def key_of(heading: str) -> str | None:
    """Return the key that a heading stands for, in whatever case and spacing; None where it is not known."""
    folded = " ".join(heading.replace("_", " ").split()).casefold().replace("ß", "ss")
    return _FOLDED.get(folded)


_FOLDED = {name.replace("_", " ").casefold().replace("ß", "ss"): key for name, key in _KEYS.items()}


def unknown(heading: str) -> ValueRefused:
    """Return what is said of a column whose heading is not known."""
    if not heading:
        return ValueRefused("has no heading", hint="write one, or take the column out")
    meant = nearest(heading, _KEYS)
    return ValueRefused(
        f"{toml(heading)} is no heading that is known here, so this column is not taken",
        hint=f"write {HEADINGS[_KEYS[meant]][0]}" if meant else f"known are {either(KNOWN)}",
    )
