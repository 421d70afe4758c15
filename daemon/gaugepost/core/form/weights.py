"""Each figure of a form as what it is linear in: how much of each place's size is in it, by which it is known.

The same choice of depths and angles as in `places.py`, so that what is stated belongs to what is shown. A cell is a
place with the mean of all that was measured there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.form.places import Place


@dataclass(frozen=True, slots=True)
class Weights:
    """How much of each cell's size is in a figure, in their order; together nothing."""

    of_cells: tuple[float, ...]
    ranges: tuple[tuple[int, ...], ...] = ()
    """Of an ovality the cells of each depth, between whose ranges it is the largest."""
    depths: int = 1
    """Of a barrel the depths of which it is the farthest."""


def weights_of(cells: Sequence[Place]) -> dict[str, Weights]:
    """Return the weights by figure: ovality, taper, barrel and bell_mouth, those that the cells show."""
    by_depth: dict[Decimal | None, list[int]] = {}
    for at, cell in enumerate(cells):
        by_depth.setdefault(cell.depth_mm, []).append(at)
    made: dict[str, Weights] = {}
    oval = [
        angled
        for at in by_depth.values()
        if len(angled := [each for each in at if cells[each].angle_deg is not None]) > 1
    ]
    if oval:
        made["ovality"] = _ovality(cells, oval)
    line = sorted((depth, at) for depth, at in by_depth.items() if depth is not None)
    count = len(cells)
    if len(line) > 1:
        made["taper"] = Weights(_sum(count, (line[-1][1], 1.0), (line[0][1], -1.0)))
    if len(line) > 2:
        made["barrel"] = _barrel(cells, line)
        share = float((line[0][0] - line[1][0]) / (line[2][0] - line[1][0]))
        of_mouth = _sum(count, (line[0][1], 1.0), (line[1][1], share - 1), (line[2][1], -share))
        made["bell_mouth"] = Weights(of_mouth)
    return made


def _sum(count: int, *parts: tuple[Sequence[int], float]) -> tuple[float, ...]:
    """Return the weights of a sum of means over cells."""
    weights = [0.0] * count
    for cells, weight in parts:
        for at in cells:
            weights[at] += weight / len(cells)
    return tuple(weights)


def _ovality(cells: Sequence[Place], oval: Sequence[Sequence[int]]) -> Weights:
    ends = [
        (max(at, key=lambda each: cells[each].size_mm), min(at, key=lambda each: cells[each].size_mm))
        for at in oval
    ]
    high, low = max(ends, key=lambda pair: cells[pair[0]].size_mm - cells[pair[1]].size_mm)
    if high == low:  # equal sizes: any two of them
        high, low = oval[0][0], oval[0][1]
    return Weights(_sum(len(cells), ([high], 1.0), ([low], -1.0)), tuple(map(tuple, oval)))


def _barrel(cells: Sequence[Place], line: Sequence[tuple[Decimal, Sequence[int]]]) -> Weights:
    first, last = line[0], line[-1]
    found: list[tuple[Decimal, tuple[float, ...]]] = []
    for depth, at in line[1:-1]:
        share = float((depth - first[0]) / (last[0] - first[0]))
        weights = _sum(len(cells), (at, 1.0), (first[1], share - 1), (last[1], -share))
        found.append((_value(cells, weights), weights))
    _, weights = max(found, key=lambda each: abs(each[0]))
    return Weights(weights, depths=len(found))


def _value(cells: Sequence[Place], weights: Sequence[float]) -> Decimal:
    return sum(
        (cell.size_mm * Decimal(weight) for cell, weight in zip(cells, weights, strict=True)), Decimal(0)
    )
