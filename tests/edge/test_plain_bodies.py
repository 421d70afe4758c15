"""Bodies that are read the short way give what the library of all CBOR gives, or nothing."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import example, given, strategies as st

from gaugepost.core.errors import JournalError
from gaugepost.core.frozen import changed
from gaugepost.core.record import FIELDS, Record
from gaugepost.edge.journal import codec
from tests.edge.readings import reading
from tests.edge.records import RECORDS

SOME = [
    frozenset(names)
    for names in (("value", "verdict"), ("seal",), ("raw", "reasons"), (FIELDS[-1].name, "lot"), ())
]
CHANGES = st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), min_size=1, max_size=3)


def test_readings_are_read_the_short_way() -> None:
    """What a journal is full of does not take the long way."""
    assert all(codec._fields_of(codec.encode(reading(n))) is not None for n in range(100))
    told = changed(reading(), reasons=("the gauge was never mastered", "why" * 40), members=(1, 300))
    assert codec._fields_of(codec.encode(told)) == vars(told)


@given(RECORDS)
@example(Record(kind=reading().kind, measured_at=-1, clock_ms=1 << 63, value_mm=Decimal("-0.5"), raw=b""))
def test_it_gives_what_the_library_gives(record: Record) -> None:
    """Whatever a record holds, the short way gives all of it to the last digit, or leaves it to the library."""
    body = codec.encode(record)
    found = codec._fields_of(body)
    if found is not None:
        assert repr(Record(**found)) == repr(codec._any(body))


@given(RECORDS | st.integers(0, 60).map(reading), st.sampled_from(SOME))
def test_some_fields_are_those_of_the_record(record: Record, names: frozenset[str]) -> None:
    """A field that is asked for is never missing and never another one, whatever stands before and after it."""
    some = codec.some_of(codec.encode(record), names)
    assert all(getattr(some, name) == getattr(record, name) for name in names)
    assert (some.kind, some.measured_at) == (record.kind, record.measured_at)


@given(st.integers(0, 60), st.lists(st.sampled_from(("it", "é", "0" * 30)), max_size=3), CHANGES)
def test_a_damaged_body_is_read_as_the_library_reads_it(
    number: int, reasons: list[str], changes: list[tuple[int, int]]
) -> None:
    """No damage makes the short way see another record than the library, or one that was written otherwise."""
    body = bytearray(codec.encode(changed(reading(number), reasons=tuple(reasons))))
    for at, byte in changes:
        body[at % len(body)] = byte
    for cut in (bytes(body), bytes(body[: changes[0][0]])):
        found = codec._fields_of(cut)
        short = None if found is None else Record(**found)
        try:
            whole = codec._any(cut)
        except JournalError:
            assert short is None
        else:
            assert short is None or repr(short) == repr(whole)
        assert short is None or codec.encode(short) == cut
