"""What the fields of a reading or a result say about its value, in the drawing's unit."""

from gaugepost.core.bench.judging.drawing import FINEST as FINEST, in_unit as in_unit
from gaugepost.core.bench.judging.fields import (
    ABSOLUTE as ABSOLUTE,
    ROUNDING as ROUNDING,
    judged as judged,
)
from gaugepost.core.bench.judging.remedy import Remedy as Remedy, remedy as remedy
