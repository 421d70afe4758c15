"""Which temperature a body has: measured on it, declared for it, or assumed from the air around it."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.state import Sourced, State, elapsed_ms
from gaugepost.core.indication import Moment
from gaugepost.core.record import Record
from gaugepost.core.setup import Body, GaugeEntry, ThermometerEntry
from gaugepost.core.thermal import Expansion

MEASURED, DECLARED, ASSUMED = "measured", "declared", "assumed"


def temperature_of(state: State, body: Body, gauge: str, now: Moment) -> Sourced | None:
    """Return a body's temperature in °C with its source, or None where nothing fresh is known.

    A thermometer on the body comes first (for a gauge, its own before one for all), then a declared temperature, then a
    thermometer that is declared to stand in.
    """
    thermometers = state.set_up.thermometers.values()
    on_body = [t for t in thermometers if t.body is body and t.gauge in (gauge, None)]
    for thermometer in sorted(on_body, key=lambda t: t.gauge is None):
        if (shown := _fresh(state, thermometer, now)) is not None:
            return Sourced(shown.celsius, MEASURED)
    for declared in state.set_up.declared:
        if declared.body is body:
            return Sourced(declared.celsius, DECLARED)
    for thermometer in thermometers:
        if body in thermometer.stands_in_for and (shown := _fresh(state, thermometer, now)) is not None:
            return Sourced(shown.celsius, ASSUMED)
    return None


def recorded(record: Record, body: Body) -> Sourced | None:
    """Return a body's temperature as a record says it; None where it says none."""
    celsius: Decimal | None = getattr(record, f"{body}_temperature_c")
    source: str | None = getattr(record, f"{body}_temperature_source")
    return None if celsius is None or source is None else Sourced(celsius, source)


def fresh_thermometer(state: State, body: Body, gauge: str, now: Moment) -> str | None:
    """Return the thermometer that `temperature_of` takes a body's temperature from; None where that is declared."""
    sourced = temperature_of(state, body, gauge, now)
    if sourced is None or sourced.source == DECLARED:
        return None
    known = state.set_up.thermometers.values()
    wanted = [t for t in known if t.body is body and t.gauge in (gauge, None)]
    wanted.sort(key=lambda t: t.gauge is None)
    if sourced.source == ASSUMED:
        wanted = [t for t in known if body in t.stands_in_for]
    return next(t.name for t in wanted if _fresh(state, t, now) is not None)


def _fresh(state: State, thermometer: ThermometerEntry, now: Moment) -> Sourced | None:
    shown = state.temperatures.get(thermometer.name)
    if shown is None:
        return None
    age = elapsed_ms(now, shown.at)
    if age is None or age > thermometer.max_age_ms:
        return None
    return Sourced(shown.celsius, MEASURED)


def expansion_of(gauge: GaugeEntry) -> Expansion | None:
    """Return how the gauge answers to temperature, or None where the station file does not say."""
    if gauge.coefficient is None and gauge.drift_mm_per_k is None:
        return None
    return Expansion(gauge.coefficient, gauge.drift_mm_per_k)
