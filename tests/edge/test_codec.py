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

from gaugepost.core.bench.judging import ABSOLUTE, ROUNDING, Remedy
from gaugepost.core.bench.temperatures import ASSUMED, DECLARED, MEASURED
from gaugepost.core.conformity import Conformity, Decision, RuleName, Verdict
from gaugepost.core.errors import JournalError, ValueRefused
from gaugepost.core.quantity import Unit
from gaugepost.core.record import FIELDS, FORMAT, NUMBER_OF, Kind, Record
from gaugepost.core.setup import Body
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
    values: dict[int, object] = {0: FORMAT}
    for field in FIELDS:
        number, words = field.metadata["number"], field.metadata["words"]
        if (value := getattr(record, field.name)) is not None:
            values[number] = words.index(value) + 1 if words else value
    assert encode(record) == cbor2.dumps(values, canonical=True)


@given(RECORDS)
def test_decoding_and_encoding_again_gives_the_same_bytes(record: Record) -> None:
    """What is read from a journal can be checked against it, byte for byte."""
    assert encode(decode(encode(record))) == encode(record)


def test_the_bytes_are_those_of_the_standard() -> None:
    """A small body, written out by hand from RFC 8949: a map of five, a decimal fraction as in §3.4.4's example."""
    record = Record(kind=Kind.READING, measured_at=1, clock_ms=500, value_mm=Decimal("273.15"))
    assert encode(record).hex(" ") == ("a5 00 01 01 11 02 01 03 19 01 f4 0e c4 82 21 19 6a b3")


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


class _Name(StrEnum):
    BORE = "bore-1"
    MM = "mm"


def test_a_named_word_is_kept_as_the_word_it_stands_for() -> None:
    """An enumeration of the core is on disk as its word, in a field of free text and in one of a vocabulary."""
    assert encode(reading(unit=_Name.MM, gauge=_Name.BORE)) == encode(reading(unit="mm", gauge="bore-1"))


WORDS = {
    "kind": [
        "start",
        "stop",
        "set-up",
        "link",
        "tags",
        "temperature",
        "condition",
        "bad-frame",
        "suppressed",
        "mastering-begun",
        "master-reading",
        "mastering",
        "check-begun",
        "check",
        "abandoned",
        "report",
        "reading",
        "result",
        "suspect",
        "void",
        "amendment",
        "gap",
        "attempt",
    ],
    "indication_unit": ["mm", "in", "µm", "µin"],
    "unit": ["mm", "in", "µm", "µin"],
    "verdict": ["undersize", "in-limits", "oversize", "not-judged"],
    "decision": ["accept", "reject", "undecided"],
    "rule": [
        "simple acceptance",
        "guarded acceptance by factor",
        "guarded acceptance by conformance probability",
        "guarded acceptance by expanded uncertainty",
        "guarded rejection by factor",
        "guarded rejection by conformance probability",
        "guarded rejection by expanded uncertainty",
    ],
    "conformity": ["conformity verified", "nonconformity verified", "neither"],
    "part_temperature_source": ["measured", "declared", "assumed"],
    "gauge_temperature_source": ["measured", "declared", "assumed"],
    "master_temperature_source": ["measured", "declared", "assumed"],
    "body": ["part", "master", "gauge", "air"],
    "remedy": ["can still be opened", "can still be taken down", "cannot be brought back"],
    "method": ["absolute method", "rounding method"],
    "meaning": ["review", "approval", "responsibility", "authorship"],
}
"""Every word of format 1 as it was settled, by its number from 1: these never move, later ones come behind them."""


@pytest.mark.parametrize("name", WORDS)
def test_a_word_keeps_its_number_for_good(name: str) -> None:
    """A body of the first day means today what it meant then: the numbers are spelled out here once more."""
    for number, word in enumerate(WORDS[name], start=1):
        body = cbor2.dumps(BASE | {NUMBER_OF[name]: number})
        assert getattr(decode(body), name) == word
        assert cbor2.loads(encode(decode(body)))[NUMBER_OF[name]] == number


def test_every_word_of_the_core_has_a_number() -> None:
    """Whatever the core can say in one of these fields can be written."""
    has = {field.name: set(field.metadata["words"]) for field in FIELDS if field.metadata["words"]}
    assert has.keys() == WORDS.keys()
    assert set(Kind) == has["kind"]
    assert set(Unit) == has["unit"] == has["indication_unit"]
    assert set(Verdict) == has["verdict"]
    assert set(Decision) == has["decision"]
    assert set(RuleName) == has["rule"]
    assert set(Body) == has["body"]
    assert set(Conformity) == has["conformity"]
    assert set(Remedy) == has["remedy"]
    assert {ABSOLUTE, ROUNDING} == has["method"]
    for body in ("part", "gauge", "master"):
        assert {MEASURED, DECLARED, ASSUMED} == has[f"{body}_temperature_source"]


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
        {"verdict": "fine"},
        {"unit": 1},
        {"kind": "celebration"},
        {"body": ["air"]},
    ],
)
def test_a_value_of_another_type_is_a_bug_and_says_so(changes: dict[str, Any]) -> None:
    """A float in particular never gets into a body, nor a word outside its vocabulary."""
    with pytest.raises(TypeError):
        encode(reading(**changes))


BASE: dict[int, Any] = {0: FORMAT, 1: 17, 2: 1, 3: 1}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({0: FORMAT + 1}, "newer version"),
        ({23_000: "x"}, "newer version"),
        ({1: 23_000}, "kind is word 23000, .* newer version"),
        ({22: 23_000}, "rule is word 23000, .* newer version"),
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
        cbor2.dumps({1: 17}),
        cbor2.dumps({0: FORMAT, 1: 17, 2: 1}),
        cbor2.dumps(BASE | {14: 1.5}),
        cbor2.dumps(BASE | {14: float("nan")}),
        cbor2.dumps(BASE | {4: 7}),
        cbor2.dumps(BASE | {27: "reason"}),
        cbor2.dumps(BASE | {27: [1]}),
        cbor2.dumps(BASE | {1: "reading"}),
        cbor2.dumps(BASE | {1: 0}),
        cbor2.dumps(BASE | {20: -1}),
        cbor2.dumps(BASE | {20: True}),
        cbor2.dumps(BASE | {20: [2]}),
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
