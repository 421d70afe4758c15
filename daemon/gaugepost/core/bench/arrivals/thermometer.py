"""What a thermometer sends: recorded when it moved, or before the last record of it grows too old."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.events import Arrived
from gaugepost.core.bench.plain import bad_frame, plain
from gaugepost.core.bench.state import State, elapsed_ms
from gaugepost.core.indication import Condition, Moment, Temperature
from gaugepost.core.record import Kind, Record

TEMPERATURE_STEP_K = Decimal("0.02")
"""A temperature is journaled when it moved this far: 50 mm of steel grow 0.012 µm in it."""

PLAUSIBLE_C = (Decimal(-10), Decimal(60))
"""A bench outside this, in °C, is a broken thermometer."""


def from_thermometer(
    state: State, name: str, event: Arrived, decoded: Temperature | Condition, now: Moment
) -> tuple[Record, ...]:
    """Return the record that a thermometer's frame leads to; none where it says what is known."""
    if isinstance(decoded, Condition):
        said = {"code": decoded.code, "text": decoded.meaning, "raw": decoded.raw}
        return (plain(now, Kind.CONDITION, thermometer=name, link=event.link, **said),)
    low, high = PLAUSIBLE_C
    if not low <= decoded.celsius <= high:
        return (bad_frame(state, event, now, f"{decoded.celsius} °C is no temperature of a bench"),)
    entry, last = state.set_up.thermometers[name], state.temperatures.get(name)
    if last is not None and abs(decoded.celsius - last.celsius) < TEMPERATURE_STEP_K:
        age = elapsed_ms(now, last.at)
        if age is not None and age < entry.max_age_ms // 2:
            return ()
    shown = {"temperature_c": decoded.celsius, "body": entry.body, "raw": decoded.raw}
    return (plain(now, Kind.TEMPERATURE, thermometer=name, link=event.link, **shown),)
