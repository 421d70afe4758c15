"""How warm part, master and gauge are and how they grow, with how well that is known; or what nothing says."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.state import Sourced
from gaugepost.core.bench.temperatures import ASSUMED, DECLARED
from gaugepost.core.setup import Body, CharacteristicEntry, GaugeEntry, MasterEntry, SetUp, ThermometerEntry
from gaugepost.core.uncertainty.gauging import Coefficient, Warmth

GAUGE_STEEL = Decimal("11.5E-6")
STEEL_HALF_WIDTH = 1e-6
"""How far gauge steel's coefficient may be from the handbook's, in 1/K (common practice, no source)."""
OTHER_SHARE = 0.1
"""And any other material's, as a share of it (common practice, no source)."""


def coefficient_of(
    entry: GaugeEntry | MasterEntry | CharacteristicEntry,
) -> Coefficient | None:
    """Return a body's coefficient with how well it is known: as declared, or as handbooks' values are."""
    if entry.coefficient is None:
        return None
    value = float(entry.coefficient)
    if entry.coefficient_half_width is not None:
        return Coefficient(value=value, half_width=float(entry.coefficient_half_width), is_handbooks=False)
    is_steel = entry.coefficient == GAUGE_STEEL
    return Coefficient(value=value, half_width=STEEL_HALF_WIDTH if is_steel else OTHER_SHARE * abs(value))


def warmth_of(set_up: SetUp, body: Body, gauge: str, known: Sourced | None) -> Warmth | str:
    """Return a body's temperature with how well it is known; or, in words, what nothing says of it."""
    if known is None:
        return _from_air(set_up, body)
    celsius = float(known.celsius)
    if known.source == DECLARED:
        spreads = [each.spread_k for each in set_up.declared if each.body is body]
        if not spreads or spreads[0] is None:
            return f"the {body}'s temperature is declared without a spread: add spread to temperatures.{body}"
        return Warmth(celsius=celsius, spread_k=float(spreads[0]), source="declared")
    meters = _meters(set_up, body, gauge, known.source)
    stated = [meter.uncertainty_k for meter in meters if meter.uncertainty_k is not None]
    if known.source == ASSUMED:
        spread = max((float(meter.spread_k or 0) for meter in meters), default=0.0)
        if not spread:
            return f"the {body}'s temperature is assumed without a spread"
        name = meters[0].name
        return Warmth(
            celsius=celsius,
            spread_k=spread,
            standard_k=float(max(stated, default=0)) / 2,
            thermometer=name,
            source=f"assumed from {name}",
        )
    if len(stated) < len(meters) or not meters:
        names = ", ".join(meter.name for meter in meters if meter.uncertainty_k is None) or "a thermometer"
        return f"nothing says how far {names} may be off: add uncertainty to it"
    name = meters[0].name
    most = float(max(stated))
    return Warmth(celsius=celsius, standard_k=most / 2, thermometer=name, source=f"measured by {name}")


def _meters(set_up: SetUp, body: Body, gauge: str, source: str) -> list[ThermometerEntry]:
    known = list(set_up.thermometers.values())
    if source == ASSUMED:
        return [meter for meter in known if body in meter.stands_in_for]
    on_body = [meter for meter in known if meter.body is body and meter.gauge in (gauge, None)]
    own = [meter for meter in on_body if meter.gauge == gauge]
    return own or on_body


def _from_air(set_up: SetUp, body: Body) -> Warmth | str:
    """Return the temperature that a body is taken to have where only a declared air says anything; in words, if not."""
    for declared in set_up.declared:
        if declared.body is Body.AIR and declared.spread_k is not None:
            return Warmth(
                celsius=float(declared.celsius), spread_k=float(declared.spread_k), source="declared air"
            )
    return f"nothing says how warm the {body} is: declare temperatures.{body} or temperatures.air with its spread"
