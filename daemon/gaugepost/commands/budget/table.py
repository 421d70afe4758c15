"""A budget as a table on a page: quantities, sources, distributions, contributions, and what to improve first."""

from __future__ import annotations

from collections.abc import Iterator

from gaugepost.commands.budget.monte_carlo import RangeValidation, Validation
from gaugepost.core.uncertainty import Budget, Component
from gaugepost.core.uncertainty.differing import RANK

_NOT_THERE = "not good enough there: an end differs by more than"
_HEADS = ("quantity", "value", "source", "distribution", "u", "ν", "c", "c·u in µm")


def lines(made: Budget) -> Iterator[str]:
    """Yield the budget, line by line."""
    yield f"model  {made.model}"
    yield ""
    rows = [_HEADS, *(_row(each) for each in made.components)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADS))]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
    groups = {each.shared: each.correlation for each in made.components if each.shared}
    counts = {name: sum(each.shared == name for each in made.components) for name in groups}
    for name, coefficient in groups.items():
        if counts[name] > 1:
            yield f"correlated: {name}, r = {coefficient:g}"
    yield ""
    few = "∞" if made.degrees_of_freedom is None else str(made.degrees_of_freedom)
    yield f"u_c    {_um(made.standard_mm)} µm"
    yield f"ν_eff  {few}"
    yield f"k      {made.coverage_factor:.3g} at {made.level:.2%}"
    yield f"U      {_um(made.expanded_mm)} µm"
    yield from (f"note   {each}" for each in made.assumed)
    yield ""
    yield "improve first:"
    for parts, share in made.ranked()[:3]:
        names = " with ".join(dict.fromkeys(each.quantity for each in parts))
        yield f"  {names}: {share:.0%} of u²: {parts[0].advice}"


def validated(found: Validation | RangeValidation) -> Iterator[str]:
    """Yield what the Monte Carlo check says."""
    yield ""
    if isinstance(found, RangeValidation):
        yield from _validated_range(found)
        return
    yield f"Monte Carlo (JCGM 101): u {_um(found.standard_mm)} µm, {_um(found.low_mm)} to {_um(found.high_mm)} µm"
    if found.is_valid:
        yield f"  the analytical interval is good enough: both ends agree within δ = {_um(found.tolerance_mm)} µm"
    else:
        tolerance = f"δ = {_um(found.tolerance_mm)} µm"
        yield f"  the analytical interval is not good enough: an end differs by more than {tolerance}"
        yield "  take the Monte Carlo interval; one component that is not normal rules, or few degrees of freedom do"


def _validated_range(found: RangeValidation) -> Iterator[str]:
    low, high = _um(found.low_mm - found.at_mm), _um(found.high_mm - found.at_mm)
    yield f"Monte Carlo (JCGM 101), at a range of {_um(found.at_mm)} µm, the limit: {low} to +{high} µm about it"
    good = "good enough there: both ends agree within" if found.is_valid else _NOT_THERE
    yield f"  the linear form is {good} δ = {_um(found.tolerance_mm)} µm"
    shown = f"{_um(found.excess_mm)} µm on the average, up to {_um(found.most_mm)} µm"
    yield f"  at a range of 0 it is not linear: equal sizes show {shown}; {RANK!r} stands for that"
    if found.linear_from_mm is not None:
        yield f"  from a range of about {_um(found.linear_from_mm)} µm on the linear form is good enough"


def _row(each: Component) -> tuple[str, ...]:
    in_um = each.unit == "mm"
    value = "" if each.value is None else f"{each.value:.7g} {each.unit}"
    standard = (
        f"{each.standard * 1000:.3g} µm" if in_um else f"{each.standard:.3g} {each.unit}".removesuffix(" 1")
    )
    unit = (
        "" if in_um or each.unit == "1" else f" mm/({each.unit})" if "/" in each.unit else f" mm/{each.unit}"
    )
    few = "∞" if each.degrees_of_freedom is None else f"{each.degrees_of_freedom:.3g}"
    shown = f"{each.sensitivity + 0.0:.3g}{unit}"  # no -0
    return (
        each.quantity,
        value,
        each.source,
        each.shape,
        standard,
        few,
        shown,
        f"{_um(abs(each.contribution))}",
    )


def _um(length_mm: float) -> str:
    return f"{length_mm * 1000:.3g}"
