"""A published record's numbers as a person is shown them, the same in a terminal and on a page."""

from gaugepost.core.shown.numbers import (
    acceptance as acceptance,
    deviation as deviation,
    digits as digits,
    fine as fine,
    limit as limit,
    number as number,
    percent as percent,
    signed as signed,
    uncertainty as uncertainty,
    unit_of as unit_of,
    value_of as value_of,
)
from gaugepost.core.shown.word import word as word
