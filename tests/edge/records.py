"""Records for tests of the journal: any that could be, and a bore's reading as a bench with thermometers makes it."""

from __future__ import annotations

import typing
from decimal import Decimal

from hypothesis import strategies as st

from gaugepost.core.record import FIELDS, Kind, Record

WHOLE = st.integers(min_value=-(2**70), max_value=2**70)
LENGTHS = st.builds(
    lambda digits, exponent: Decimal(digits).scaleb(exponent),
    st.integers(min_value=-(10**27), max_value=10**27),
    st.integers(min_value=-12, max_value=3),
)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
_BY_TYPE: dict[object, st.SearchStrategy[object]] = {
    str: TEXTS,
    int: WHOLE,
    bool: st.booleans(),
    bytes: st.binary(max_size=300),
    Decimal: LENGTHS,
    Kind: st.sampled_from(Kind),
    tuple[str, ...]: st.lists(TEXTS, max_size=4).map(tuple),
    tuple[int, ...]: st.lists(WHOLE, max_size=30).map(tuple),
    tuple[Decimal, ...]: st.lists(LENGTHS, max_size=3).map(tuple),
}


def _strategy(name: str) -> st.SearchStrategy[object]:
    hint = typing.get_type_hints(Record)[name]
    if type(None) not in typing.get_args(hint):
        return _BY_TYPE[hint]
    return st.none() | _BY_TYPE[typing.get_args(hint)[0]]


RECORDS: st.SearchStrategy[Record] = st.builds(
    Record, **{field.name: _strategy(field.name) for field in FIELDS}
)


def reading(number: int = 1, **changes: typing.Any) -> Record:
    """Return the `number`th reading of a shop of our own, one every five seconds, 40 pieces to the lot."""
    fields: dict[str, typing.Any] = {
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
