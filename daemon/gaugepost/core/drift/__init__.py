"""Drift (VIM 4.21): how a gauge's offset and its deviations at checks went, by contact set, master, person."""

from gaugepost.core.drift.document import document as document, points_of as points_of
from gaugepost.core.drift.series import (
    BY as BY,
    By as By,
    Point as Point,
    Series as Series,
    grouped as grouped,
)
from gaugepost.core.drift.statistics import Summary as Summary, Trend as Trend, summary as summary
from gaugepost.core.drift.what import What as What, point_of as point_of
