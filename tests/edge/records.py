"""Records for tests of the journal: any that could be."""

from __future__ import annotations

import dataclasses
import typing
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from gaugepost.core.record import FIELDS, Record

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
    tuple[str, ...]: st.lists(TEXTS, max_size=4).map(tuple),
    tuple[int, ...]: st.lists(WHOLE, max_size=30).map(tuple),
    tuple[Decimal, ...]: st.lists(LENGTHS, max_size=3).map(tuple),
}


def _strategy(field: dataclasses.Field[Any]) -> st.SearchStrategy[object]:
    hint = typing.get_type_hints(Record)[field.name]
    optional = type(None) in typing.get_args(hint)
    words = field.metadata["words"]
    given = st.sampled_from(words) if words else _BY_TYPE[typing.get_args(hint)[0] if optional else hint]
    return st.none() | given if optional else given


RECORDS: st.SearchStrategy[Record] = st.builds(Record, **{field.name: _strategy(field) for field in FIELDS})
