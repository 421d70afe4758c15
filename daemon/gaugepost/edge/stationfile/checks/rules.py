"""What the keys of one table say to one another. Looks at the raw table, so that one wrong value hides no other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gaugepost.core.bench.arrivals.scanner import compiled
from gaugepost.core.errors import ValueRefused
from gaugepost.core.setup import Body, Combine, Display, Does, Takes
from gaugepost.edge.stationfile.findings import Report, either, nearest, toml
from gaugepost.edge.stationfile.positions import Path

Raw = Mapping[str, Any]

MODIFIER_OF = {
    Combine.MEAN.value: "SA",
    Combine.LARGEST.value: "SX",
    Combine.SMALLEST.value: "SN",
    Combine.MEDIAN.value: "SM",
    Combine.MID_RANGE.value: "SD",
    Combine.RANGE.value: "SR",
}
"""Size modifiers (ISO 14405-1) that let places be combined: average and rank-order sizes (from memory)."""

_LIMIT_KEYS = ("limits", "lower", "upper", "nominal", "upper_deviation", "lower_deviation", "tolerance_class")
LIMIT_FORMS = (
    'limits = "38 H7"; or lower and upper, or one of them; '
    "or nominal with upper_deviation and lower_deviation; or nominal with tolerance_class"
)


def gauge(report: Report, path: Path, raw: Raw) -> None:
    """A nominal belongs to display from-nominal; the growth with temperature is said once."""
    from_nominal = raw.get("display") == Display.FROM_NOMINAL.value
    if from_nominal and "nominal" not in raw:
        report.error(
            (*path, "nominal"),
            "is missing",
            "the size that display from-nominal counts from",
            'write nominal = "38 mm"',
        )
    if not from_nominal and "nominal" in raw and "display" in raw:
        report.error(
            (*path, "nominal"),
            "belongs to display from-nominal only",
            write='remove it, or write display = "from-nominal"',
        )
    _one_of(report, path, raw, "material", "coefficient")
    _stream(report, (*path, "stream"), raw.get("stream"))
    if "drift" in raw:
        for key in ("material", "coefficient"):
            if key in raw:
                report.warn((*path, key), "is not used, drift replaces it", write=f"remove {key} or drift")


def _stream(report: Report, path: Path, raw: object) -> None:
    """A turning point needs to know how far is a turn, and rest how little is rest."""
    if not isinstance(raw, dict) or raw.get("takes") not in list(Takes):
        return
    settled = raw["takes"] == Takes.SETTLED.value
    needed, example = ("steady_within", "1 µm") if settled else ("turn", "10 µm")
    if needed not in raw:
        report.error(
            (*path, needed),
            "is missing",
            f"takes = {toml(raw['takes'])} needs it",
            f"write {needed} = {toml(example)}",
        )
    for key in ("turn", "turns") if settled else ("steady_within", "steady_for"):
        if key in raw:
            report.error((*path, key), f"does not go with takes = {toml(raw['takes'])}", write="remove it")


def master(report: Report, path: Path, raw: Raw) -> None:
    """An uncertainty without its coverage factor says nothing, and the other way round."""
    if "uncertainty" in raw and "coverage_factor" not in raw:
        report.error(
            (*path, "coverage_factor"),
            "is missing",
            "the factor k that the certificate gives with its uncertainty",
            "write coverage_factor = 2",
        )
    if "coverage_factor" in raw and "uncertainty" not in raw:
        report.error(
            (*path, "uncertainty"),
            "is missing",
            "the expanded uncertainty that coverage_factor belongs to",
            'write uncertainty = "0.8 µm"',
        )
    _one_of(report, path, raw, "material", "coefficient")


def thermometer(report: Report, path: Path, raw: Raw) -> None:
    """Only a gauge's thermometer names a gauge; only the air's stands in, and then says how far it may be off."""
    body, stands_in = raw.get("body"), raw.get("stands_in_for")
    if "gauge" in raw and body in list(Body) and body != Body.GAUGE.value:
        report.error(
            (*path, "gauge"), "belongs to body gauge only", write='remove it, or write body = "gauge"'
        )
    if stands_in and body in list(Body) and body != Body.AIR.value:
        report.error(
            (*path, "stands_in_for"),
            "only the air may stand in for another body",
            write='remove it, or write body = "air"',
        )
    if stands_in and "spread" not in raw:
        report.error(
            (*path, "spread"),
            "is missing",
            "how far a body that the air stands in for may be from the air",
            'write spread = "0.5 K"',
        )
    if "spread" in raw and not stands_in:
        report.error(
            (*path, "spread"),
            "belongs to stands_in_for",
            write='remove it, or write stands_in_for = ["part"]',
        )
    if isinstance(stands_in, list) and Body.AIR.value in stands_in:
        report.error(
            (*path, "stands_in_for", stands_in.index(Body.AIR.value)),
            "the air can't stand in for itself",
            "part, gauge or master",
            "remove it",
        )


def scanner(report: Report, path: Path, raw: Raw) -> None:
    """Every pattern of its codes can be read in one way."""
    codes = raw.get("codes")
    for place, pattern in enumerate(codes if isinstance(codes, list) else ()):
        if isinstance(pattern, str):
            try:
                compiled(pattern)
            except ValueRefused as refused:
                report.refused((*path, "codes", place), refused)


def trigger(report: Report, path: Path, raw: Raw) -> None:
    """All that a trigger does is about a gauge, but for the next piece."""
    does = raw.get("does")
    if does not in list(Does):
        return
    if does == Does.NEXT_PIECE.value and "gauge" in raw:
        report.error((*path, "gauge"), "the next piece is the same for every gauge", write="remove it")
    if does != Does.NEXT_PIECE.value and "gauge" not in raw:
        report.error(
            (*path, "gauge"),
            "is missing",
            f"the gauge that does = {toml(does)} is about",
            'write gauge = "NAME"',
        )


def characteristic(report: Report, path: Path, raw: Raw) -> None:
    """Limits are written in one way; places are combined only where the drawing's size modifier says so."""
    _limits(report, path, raw)
    _one_of(report, path, raw, "part_material", "part_coefficient")
    _combine(report, path, raw)
    for key in ("gauges", "masters", "positions"):
        listed = raw.get(key)
        if isinstance(listed, list):
            names = [each.get("name") if isinstance(each, Mapping) else each for each in listed]
            for place, name in enumerate(names):
                if isinstance(name, str) and name in names[:place]:
                    report.error((*path, key, place), f"{toml(name)} stands here twice", write="remove one")


def _one_of(report: Report, path: Path, raw: Raw, first: str, second: str) -> None:
    if first in raw and second in raw:
        report.error((*path, second), f"{first} and {second} say the same twice", write="remove one of them")


def _limits(report: Report, path: Path, raw: Raw) -> None:
    given = [key for key in _LIMIT_KEYS if key in raw]
    if not given:
        report.error(path, "has no limits", LIMIT_FORMS, 'write limits = "38 H7"')
        return
    wanted, optional = _form(given)
    for key in given:
        if key not in wanted and key not in optional:
            said = either([name for name in given if name in wanted or name in optional])
            report.error(
                (*path, key),
                f"limits are written in two ways, {key} beside {said}",
                LIMIT_FORMS,
                f"remove {key}",
            )
    examples = {
        "nominal": "38 mm",
        "upper_deviation": "25 µm",
        "lower_deviation": "0 µm",
        "tolerance_class": "H7",
    }
    for key in wanted:
        if key not in given:
            write = f"write {key} = {toml(examples[key])}"
            report.error((*path, key), "is missing", LIMIT_FORMS, write)


def _form(given: list[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the keys that the way of writing needs, and those it may have."""
    if "limits" in given:
        return ("limits",), ()
    if "tolerance_class" in given:
        return ("nominal", "tolerance_class"), ()
    if "upper_deviation" in given or "lower_deviation" in given:
        return ("nominal", "upper_deviation", "lower_deviation"), ()
    if "lower" in given or "upper" in given:
        return (), ("lower", "upper")
    return ("nominal", "tolerance_class"), ()


def _combine(report: Report, path: Path, raw: Raw) -> None:
    combine = raw.get("combine", Combine.EACH.value)
    modifier = raw.get("size_modifier")
    known = list(MODIFIER_OF.values())
    if modifier is not None and modifier not in known:
        near = nearest(modifier, known) if isinstance(modifier, str) else None
        report.error(
            (*path, "size_modifier"),
            f"{toml(modifier)} is not a size modifier that can be judged here",
            "SA (average size), SX (maximum), SN (minimum), SM (median), SD (mid-range) or SR (range of sizes)",
            f"write size_modifier = {toml(near)}" if near else "",
        )
        return
    if not isinstance(combine, str) or combine not in list(Combine):
        return
    if combine == Combine.RANGE.value and (given := [key for key in _LIMIT_KEYS if key in raw]) != ["upper"]:
        report.error(
            (*path, "combine"),
            f"a range of sizes has an upper limit and nothing else, here stands {either(given)}",
            "upper alone",
            'write upper = "0.005 mm" for what the sizes may differ by, and the sizes as another characteristic',
        )
    if combine == Combine.EACH.value:
        if modifier:
            way = next(way for way, needed in MODIFIER_OF.items() if needed == modifier)
            report.warn(
                (*path, "size_modifier"),
                "is not used: each place is judged by itself",
                write=f"write combine = {toml(way)} if the drawing says {modifier}",
            )
        return
    if not raw.get("positions") and raw.get("readings", 1) == 1:
        report.error(
            (*path, "combine"),
            f"there is one reading and no positions: nothing to take the {combine} of",
            write='write readings = 3 or positions = ["top", "bottom"], or combine = "each"',
        )
        return
    needed = MODIFIER_OF[combine]
    if combine == Combine.MEAN.value and not raw.get("positions") and modifier is None:
        return  # repeats at one place may be averaged
    if modifier is None:
        report.error(
            (*path, "size_modifier"),
            f"is missing: the {combine} is judged only where the drawing's size modifier says so",
            f"{needed} (ISO 14405-1)",
            f'write size_modifier = "{needed}" if the drawing has it, else combine = "each"',
        )
    elif modifier != needed:
        report.error(
            (*path, "size_modifier"),
            f"{modifier} does not go with combine = {toml(combine)}",
            f"{needed} (ISO 14405-1)",
            f'write size_modifier = "{needed}"',
        )
