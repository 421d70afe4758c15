"""How well a value is known: components, their combination, and the budget they make (JCGM 100:2008, the GUM)."""

from gaugepost.core.uncertainty.budget import (
    LEVEL as LEVEL,
    Budget as Budget,
    budget as budget,
    coverage as coverage,
    six_digits as six_digits,
)
from gaugepost.core.uncertainty.combining import Combined as Combined, combine as combine
from gaugepost.core.uncertainty.component import (
    Component as Component,
    Shape as Shape,
    from_expanded as from_expanded,
    from_half_width as from_half_width,
)
