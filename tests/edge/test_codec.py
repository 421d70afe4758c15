"""A body is one deterministic form of CBOR, and gives back exactly the record that it was made of."""

from __future__ import annotations

import hashlib
import io
import uuid
from decimal import Decimal
from enum import StrEnum
from typing import Any

import cbor2
import pytest
from hypothesis import given, strategies as st

from gaugepost.core.errors import JournalError, ValueRefused
from gaugepost.core.record import FORMAT, NUMBER_OF, Kind, Record
from gaugepost.edge.journal.codec import anchor, chained, decode, encode
from tests.edge.readings import reading
from tests.edge.records import RECORDS


@given(RECORDS)
def test_a_record_comes_back_to_the_last_digit(record: Record) -> None:
    """25.000 stays 25.000, and text, bytes and lists are what they were."""
    assert repr(decode(encode(record))) == repr(record)


def test_a_zero_loses_its_sign() -> None:
    """The one thing that a decimal fraction of CBOR has no place for means nothing for a length."""
    assert str(decode(encode(reading(deviation=Decimal("-0.000")))).deviation) == "0.000"


@given(RECORDS)
def test_a_body_is_what_a_sorting_encoder_writes(record: Record) -> None:
    """Bodies are deterministic by RFC 8949 §4.2.1: shortest forms, definite lengths, keys in order.

    Source: cbor2's canonical encoder, which sorts and shortens by that section.
    """
    values = {0: FORMAT, **{number: getattr(record, name) for name, number in NUMBER_OF.items()}}
    assert encode(record) == cbor2.dumps({n: v for n, v in values.items() if v is not None}, canonical=True)


@given(RECORDS)
def test_decoding_and_encoding_again_gives_the_same_bytes(record: Record) -> None:
    """What is read from a journal can be checked against it, byte for byte."""
    assert encode(decode(encode(record))) == encode(record)


def test_the_bytes_are_those_of_the_standard() -> None:
    """A small body, written out by hand from RFC 8949: a map of five, a decimal fraction as in §3.4.4's example."""
    record = Record(kind=Kind.READING, measured_at=1, clock_ms=500, value_mm=Decimal("273.15"))
    assert encode(record).hex(" ") == (
        "a5 00 01 01 67 72 65 61 64 69 6e 67 02 01 03 19 01 f4 0e c4 82 21 19 6a b3"
    )


def test_the_chain_is_made_as_documented() -> None:
    """Anyone can follow the chain with SHA-256 alone."""
    epoch = "6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11"
    first = hashlib.sha256(bytes.fromhex(epoch.replace("-", "")) + "Prüfplatz 3".encode()).digest()
    assert anchor(epoch, "Prüfplatz 3") == first
    assert anchor(str(uuid.UUID(epoch)), "Prüfplatz 4") != first
    assert (
        chained(first, 258, b"body")
        == hashlib.sha256(first + bytes([0, 0, 0, 0, 0, 0, 1, 2]) + b"body").digest()
    )


class _Word(StrEnum):
    MM = "mm"


def test_a_named_word_is_kept_as_plain_text() -> None:
    """An enumeration of the core is on disk as the word that it stands for."""
    assert encode(reading(unit=_Word.MM)) == encode(reading(unit="mm"))


@pytest.mark.parametrize(
    "changes",
    [
        {"value_mm": Decimal("NaN")},
        {"probability": Decimal("-Infinity")},
        {"master_spans_mm": (Decimal(1), Decimal("sNaN"))},
        {"operator": "half \ud83d"},
        {"reasons": ("\udc00",)},
    ],
)
def test_what_is_no_number_and_no_text_is_refused(changes: dict[str, Any]) -> None:
    """Nothing gets into a journal that could not be read back."""
    with pytest.raises(ValueRefused):
        encode(reading(**changes))


@pytest.mark.parametrize(
    "changes",
    [
        {"value_mm": 38.01},
        {"count": Decimal(1)},
        {"raw": "00"},
        {"members": [1]},
        {"gauge": b"x"},
        {"count": True},
    ],
)
def test_a_value_of_another_type_is_a_bug_and_says_so(changes: dict[str, Any]) -> None:
    """A float in particular never gets into a body."""
    with pytest.raises(TypeError):
        encode(reading(**changes))


BASE: dict[int, Any] = {0: FORMAT, 1: "reading", 2: 1, 3: 1}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({0: FORMAT + 1}, "newer version"),
        ({23_000: "x"}, "newer version"),
        ({1: "celebration"}, "newer version"),
    ],
)
def test_what_a_newer_program_wrote_is_refused_by_name(changes: dict[int, Any], words: str) -> None:
    """Whoever went back to an older version is told to install the newer one, and nothing is misread."""
    with pytest.raises(JournalError, match=words):
        decode(cbor2.dumps(BASE | changes))
    assert decode(cbor2.dumps(BASE)).clock_ms == 1


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\xff",
        cbor2.dumps([1]),
        cbor2.dumps({1: "reading"}),
        cbor2.dumps({0: FORMAT, 1: "reading", 2: 1}),
        cbor2.dumps(BASE | {14: 1.5}),
        cbor2.dumps(BASE | {14: float("nan")}),
        cbor2.dumps(BASE | {4: 7}),
        cbor2.dumps(BASE | {27: "reason"}),
        cbor2.dumps(BASE | {27: [1]}),
        cbor2.dumps(BASE | {1: 5}),
        cbor2.dumps(BASE)[:-1],
    ],
)
def test_what_is_no_body_is_damage(body: bytes) -> None:
    """Bytes that were never a body raise the error that says so."""
    with pytest.raises(JournalError, match="damaged"):
        decode(body)


@given(st.data())
def test_no_flipped_byte_raises_anything_but_a_journal_error(data: st.DataObject) -> None:
    """However a body is damaged, reading it ends in a record or in a `JournalError`."""
    body = bytearray(encode(reading()))
    for _ in range(data.draw(st.integers(1, 3))):
        body[data.draw(st.integers(0, len(body) - 1))] ^= data.draw(st.integers(1, 255))
    try:
        decode(bytes(body))
    except JournalError:
        return


def test_every_published_body_can_be_read_by_any_cbor_library() -> None:
    """A body is one item and nothing after it."""
    body = encode(reading())
    stream = io.BytesIO(body)
    assert cbor2.CBORDecoder(stream).decode()[14] == Decimal("38.011874318")
    assert cbor2.dumps(cbor2.loads(body)) == body
