"""Bodies that are like those before them give what reading them field by field gives, or nothing."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, strategies as st

from gaugepost.core.frozen import changed
from gaugepost.core.record import NUMBER_OF, Kind, Record
from gaugepost.edge.journal import codec
from gaugepost.edge.journal.bodies import Plain, alike
from gaugepost.edge.journal.bodies.expressions import fields_in
from tests.edge.readings import reading

CHANGES = st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), min_size=1, max_size=3)
NAMES = st.frozensets(st.sampled_from(sorted(NUMBER_OF)), max_size=4)
SHAPES: tuple[dict[str, Any], ...] = (
    {},
    {"remedy": "can still be opened", "reasons": ("in the guard band at the upper limit",)},
    {"deviation": None, "spread_mm": Decimal("0.001"), "error_mm": Decimal("-0.0002")},
)


def fresh(number: int, shape: int = 0) -> bytes:
    """Return the body of a reading of its own: its piece, its time and its value differ from every other's."""
    value_mm = Decimal(38_000_000 + number).scaleb(-6)
    return codec.encode(reading(number, piece=str(number), value_mm=value_mm, **SHAPES[shape]))


def learned() -> Plain:
    """Return what read enough bodies of each shape to know them."""
    plain = Plain(codec._FIELD_OF)
    for shape in range(len(SHAPES)):
        for number in range(alike.LEARNED_AT):
            assert plain.fields_of(fresh(number, shape)) is not None
    return plain


LEARNED = learned()


def test_bodies_like_many_before_are_read_by_what_was_learned() -> None:
    """What a journal is full of is cut by one expression, whatever its values, and not field by field."""
    for shape in range(len(SHAPES)):
        for number in range(1000, 1100):
            body = fresh(number, shape)
            assert LEARNED._alike.fields_of(body) == LEARNED._by_field(body) == vars(codec._any(body))


@given(st.integers(0, 5000), st.sampled_from(range(len(SHAPES))), NAMES)
def test_some_fields_are_those_of_the_record(number: int, shape: int, names: frozenset[str]) -> None:
    """Each field that is asked for is there where the record has it, and never another's."""
    body = fresh(number, shape)
    found, whole = LEARNED._alike.some_of(body, names), vars(codec._any(body))
    assert found is not None
    needed = {"kind", "measured_at", "clock_ms"}
    assert found == {name: value for name, value in whole.items() if name in names | needed}


@given(st.integers(0, 60), st.sampled_from(range(len(SHAPES))), CHANGES, NAMES)
def test_damage_is_seen_as_it_is_field_by_field(
    number: int, shape: int, changes: list[tuple[int, int]], names: frozenset[str]
) -> None:
    """A body that was damaged is read as its bytes say now, or left to what reads all of it."""
    body = bytearray(fresh(number, shape))
    for at, byte in changes:
        body[at % len(body)] = byte
    for cut in (bytes(body), bytes(body[: changes[0][0]])):
        found = LEARNED._alike.fields_of(cut)
        assert found is None or found == LEARNED._by_field(cut)
        if found is not None:
            assert codec.encode(Record(**found)) == cut
        some = LEARNED._alike.some_of(cut, names)
        if some is not None:  # damage beyond what was asked for is not looked at
            parts: dict[int, bytes] = {}
            for part in fields_in(cut, 4):
                parts.setdefault(part[1] if part[0] == 24 and len(part) > 1 else part[0], part)
            assert some == dict(LEARNED._known[parts[NUMBER_OF[name]]] for name in some)


def test_what_is_common_no_more_is_learned_anew() -> None:
    """Where a thermometer is added, what was the same in all is each reading's own soon; nothing is misread by then."""
    plain = learned()
    (before,) = (form for form in plain._alike._forms[fresh(0)[:6]] if form.cut(fresh(0)))
    for number in range(3000):
        record = codec.decode(fresh(number))
        warm = changed(record, part_temperature_c=Decimal(200_000 + number).scaleb(-4))
        assert plain.fields_of(codec.encode(warm)) == vars(warm)
    forms = plain._alike._forms[fresh(0)[:6]]
    assert before not in forms
    assert any(form.cut(fresh(0)) for form in forms)


def test_what_is_never_alike_is_not_compared_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bodies of which no two have the same fields are read field by field, and looking for likeness ends."""
    plain = Plain(codec._FIELD_OF)
    names = [name for name, value in vars(codec.decode(fresh(0))).items() if isinstance(value, Decimal)]
    monkeypatch.setattr(alike, "LEARNED_AT", alike.COMPARED)
    for number in range(alike.COMPARED * (alike.MOST_GOES + 1)):
        record = codec.decode(fresh(number))
        left_out = {name: None for at, name in enumerate(names) if number >> at & 1}
        more = {"spread_mm": Decimal(1), "error_mm": Decimal(1), "limit_mm": Decimal(1), "count": 1}
        told = Record(**{k: v for k, v in (vars(record) | more | left_out).items() if v is not None})
        assert plain.fields_of(codec.encode(told)) == vars(told)
    assert all(len(seen) < alike.COMPARED for seen in plain._alike._seen.values())


def test_rare_kinds_are_left_alone() -> None:
    """Small bodies, as of a start or a tag, are no part of it."""
    plain = Plain(codec._FIELD_OF)
    body = codec.encode(Record(kind=Kind.START, measured_at=1_790_000_000_000, clock_ms=70_000, program="1"))
    for _ in range(alike.LEARNED_AT + 1):
        assert plain.fields_of(body) is not None
    assert not plain._alike._forms
