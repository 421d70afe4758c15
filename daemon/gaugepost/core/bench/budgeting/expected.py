"""The budget that a set-up promises before anything is mastered or measured: is the gauge fit for the tolerance?"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from gaugepost.core.bench.budgeting.budgets import Unstated, budget_of
from gaugepost.core.bench.state import Mastered, Scatter, Sourced
from gaugepost.core.bench.temperatures import ASSUMED, DECLARED, MEASURED
from gaugepost.core.mastering import Line
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import Body, CharacteristicEntry, SetUp
from gaugepost.core.thermal import REFERENCE_C
from gaugepost.core.uncertainty import Budget

UNREPEATED = "no repeatability is declared: the budget is without it, and the true one larger"


def expected_budget(
    set_up: SetUp, gauge: str, entry: CharacteristicEntry, masters: tuple[str, ...], utc_ms: int = 0
) -> Budget | Unstated:
    """Return the budget of a reading by what the station file declares: measured temperatures are taken as 20 °C.

    Without a declared repeatability it is left out, and the budget says so: it is then the least it can be.
    """
    known = set_up.gauges[gauge]
    bare = known.repeatability_mm is None
    if bare:
        known = replace(known, repeatability_mm=Decimal(0))
        set_up = replace(set_up, gauges={**set_up.gauges, gauge: known})
    warm = {body: _expected(set_up, body, gauge) for body in (Body.PART, Body.MASTER, Body.GAUGE)}
    # Where nothing says how the first master, gauge or part grows there is no budget; a second master may be left out.
    grows = all(set_up.masters[name].coefficient is not None for name in masters)
    at = warm[Body.GAUGE]
    mastered = Mastered(
        sequence=0,
        masters=masters,
        cold=Line((), (), known.sense),
        warm=None,
        gauge_c=at.celsius if at else None,
        master=warm[Body.MASTER],
        unit=Unit.MM,
        resolution=known.resolution_mm or Decimal(0),  # else its digits will say
        readings=known.mastering_readings,
        gauge_source=at.source if at else None,
    )
    made = budget_of(
        set_up, gauge, entry, mastered, Scatter(), warm[Body.PART], at, utc_ms, mastered.resolution,
        grows and all(warm.values()),
    )  # fmt: skip
    if bare and isinstance(made, Budget):
        return replace(made, assumed=(UNREPEATED, *made.assumed))
    return made


def _expected(set_up: SetUp, body: Body, gauge: str) -> Sourced | None:
    for meter in set_up.thermometers.values():
        if meter.body is body and meter.gauge in (gauge, None):
            return Sourced(REFERENCE_C, MEASURED)
    for declared in set_up.declared:
        if declared.body is body:
            return Sourced(declared.celsius, DECLARED)
    if any(body in meter.stands_in_for for meter in set_up.thermometers.values()):
        return Sourced(REFERENCE_C, ASSUMED)
    return None
