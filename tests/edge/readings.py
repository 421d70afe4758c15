"""Readings as a bench with thermometers makes them: a shop of our own, one every five seconds, 40 pieces to the lot."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from gaugepost.core.record import Kind, Record


def reading(number: int = 1, **changes: Any) -> Record:
    """Return the `number`th reading, with `changes`."""
    fields: dict[str, Any] = {
        "kind": Kind.READING,
        "measured_at": 1_793_871_234_567 + number * 5000,
        "clock_ms": 7_654_321 + number * 5000,
        "gauge": "bore-1",
        "link": "usb-1",
        "characteristic": "bore A 38 H7",
        "lot": f"L{number // 40}",
        "piece": f"P{number % 40:04d}",
        "attempt": 1,
        "operator": "op-17",
        "indication": "38.0153",
        "indication_unit": "mm",
        "value_mm": Decimal("38.011874318"),
        "value": Decimal("38.011874318"),
        "unit": "mm",
        "deviation": Decimal("0.011874318"),
        "lower": Decimal("38.000"),
        "upper": Decimal("38.025"),
        "verdict": "in-limits",
        "decision": "accept",
        "rule": "simple acceptance",
        "master": "ring-1",
        "mastering": 9,
        "master_correction_mm": Decimal("-0.002800000"),
        "thermal_correction_mm": Decimal("-0.000625682"),
        "part_temperature_c": Decimal("22.1"),
        "gauge_temperature_c": Decimal("22.1"),
        "master_temperature_c": Decimal("21.4"),
        "part_temperature_source": "assumed",
        "gauge_temperature_source": "assumed",
        "master_temperature_source": "assumed",
        "set_up": 2,
        "derivation": 1,
        "raw": b"38.0153 mm\r\n",
    }
    return Record(**(fields | changes))
