"""How many gauges with a text send: number, maybe with its unit, and an end. Common practice, no source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product
from typing import Any

_TERMINATORS = ("\r\n", "\r", "\n")
_DECIMAL_SIGNS = (".", ",")
_UNITS = ({"mm": "mm", "in": "in"}, {"MM": "mm", "IN": "in"})


def usual() -> Iterator[Mapping[str, Any]]:
    """Yield settings for every such text: those that name their unit first, then millimetres before inches."""
    for pad, units, pattern, ends, decimal in product(
        (False, True), _UNITS, ("{value} {unit}", "{value}{unit}"), _TERMINATORS, _DECIMAL_SIGNS
    ):
        yield {"pattern": pattern, "units": units, **_written(ends, decimal, pad=pad)}
    for pad, unit, ends, decimal in product((False, True), ("mm", "in"), _TERMINATORS, _DECIMAL_SIGNS):
        yield {"pattern": "{value}", "unit": unit, **_written(ends, decimal, pad=pad)}


def _written(ends: str, decimal: str, *, pad: bool) -> dict[str, Any]:
    """Return what differs from what the settings are anyway."""
    said: dict[str, Any] = {}
    if ends != "\r\n":
        said["terminator"] = ends
    if decimal != ".":
        said["decimal_sign"] = decimal
    if pad:
        said["pad"] = True
    return said
