"""A record's body on disk: deterministic CBOR (RFC 8949 §4.2), and the hash that chains it to the one before.

Drawn for whoever reads a journal without this program (any CBOR library reads a body):

    map {0: FORMAT, field number: value, ...}   numbers as in core.record, ascending; fields that are None are absent
    text, whole number, true/false, bytes       as such, in their shortest form
    word of a closed vocabulary                 its number: its place in that field's `words` in core.record, from 1
    Decimal                                     tag 4 [exponent, digits]: 25.000 is [-3, 25000]; a zero loses its sign
    tuple                                       array
    floats                                      never

    hash = SHA-256(previous hash, sequence as 8 bytes big endian, body)
    the first previous hash = SHA-256(16 bytes of the epoch's UUID, the station's name in UTF-8)
"""

from __future__ import annotations

import hashlib
import typing
import uuid
from decimal import Decimal
from typing import Any, NoReturn

import cbor2

from gaugepost.core.errors import JournalError, ValueRefused
from gaugepost.core.frozen import filled
from gaugepost.core.record import FIELDS, FORMAT, NUMBER_OF, Record
from gaugepost.edge.journal.bodies import Plain


def anchor(epoch: str, station: str) -> bytes:
    """Return what stands for the hash before the first record."""
    return hashlib.sha256(uuid.UUID(epoch).bytes + station.encode()).digest()


def chained(previous: bytes, sequence: int, body: bytes) -> bytes:
    """Return the hash of the record with this `sequence` and `body` after the one with hash `previous`."""
    return hashlib.sha256(previous + sequence.to_bytes(8, "big") + body).digest()


def encode(record: Record) -> bytes:
    """Return the body of `record`; equal records give equal bytes.

    Raises:
        ValueRefused: a number that is not finite, or half a character: nothing that was measured or said.
        TypeError: a value of another type than its field's, or a word that its field doesn't know.
    """
    values: dict[int, Any] = {0: FORMAT}
    given = vars(record)
    for name in sorted(given, key=NUMBER_OF.__getitem__):
        number, kind, numbers = _PLACES[name]
        value = given[name]
        if numbers is not None:
            values[number] = numbers.get(value) or _unknown(value, number)
        elif type(value) is kind and (kind is not Decimal or value.is_finite()):
            values[number] = value
        else:
            values[number] = _checked(value, kind, number)
    try:
        # Made in ascending order, so that sorting (canonical=True), which costs half as much again, changes nothing.
        return cbor2.dumps(values)
    except UnicodeEncodeError as cause:
        raise ValueRefused(
            f"{cause.object!r} is not text", hint="leave out what is half a character"
        ) from cause


def decode(body: bytes) -> Record:
    """Return the record that `encode` made `body` of.

    Raises:
        JournalError: written by a newer program, or not by this one.
    """
    found = _fields_of(body)
    return filled(Record, found) if found is not None else _any(body)


def some_of(body: bytes, names: frozenset[str]) -> Record:
    """Return the record of `body` with the fields `names`, and those that every record has; others may be left out.

    Raises:
        JournalError: as `decode` does, as far as it was looked at.
    """
    found = _plain.some_of(body, names)
    return filled(Record, found) if found is not None else decode(body)


def proven(body: bytes) -> tuple[Record, bool]:
    """Return what `decode` does, and whether `encode` makes the very same bytes of it. Raises as `decode` does."""
    found = _fields_of(body)
    if found is not None:  # read in no other form
        return filled(Record, found), True
    record = _any(body)
    return record, encode(record) == body


def _any(body: bytes) -> Record:
    """Return what `decode` does, of a body in whatever form."""
    try:
        values = cbor2.loads(body)
    except (cbor2.CBORDecodeError, ValueError, TypeError, ArithmeticError) as cause:
        raise _damaged() from cause
    if type(values) is not dict:
        raise _damaged()
    number = values.pop(0, None)
    if number != FORMAT:
        raise (
            _newer(f"a record has format {number}, this program knows {FORMAT}")
            if type(number) is int
            else _damaged()
        )
    record: dict[str, Any] = {}
    for number, value in values.items():
        known = _FIELD_OF.get(number)
        if known is None:
            raise _newer(f"a record has a field {number} that this program doesn't know")
        name, kind, words = known
        if type(value) is not kind:
            record[name] = _restored(value, kind)
        elif words is not None:
            record[name] = words.get(value) or _newer_word(name, value, words)
        elif kind is not Decimal or value.is_finite():
            record[name] = value
        else:
            raise _damaged()
    return _made(record)


def _made(record: dict[str, Any]) -> Record:
    try:
        return Record(**record)
    except TypeError as cause:  # a field that every record has is missing
        raise _damaged() from cause


def _checked(value: Any, kind: Any, number: int) -> Any:
    """Return `value` as plain data of the field's type, or raise."""
    if kind is int and type(value) is int:  # one of several
        return value
    if kind is str and isinstance(value, str):
        return str(value)
    if kind is Decimal and isinstance(value, Decimal):
        if not value.is_finite():
            raise ValueRefused(f"{value} is no number to be kept", hint="leave out what was not measured")
        return value
    (inner,) = typing.get_args(kind)[:1] or (None,)
    if isinstance(value, tuple) and inner is not None:
        return [_checked(each, inner, number) for each in value]
    raise TypeError(f"field {number} takes {kind}, not {value!r}")


def _restored(value: Any, kind: Any) -> Any:
    """Return the field's tuple from plain data, or raise."""
    (inner,) = typing.get_args(kind)[:1] or (None,)
    if inner is None or not isinstance(value, list):
        raise _damaged()
    for each in value:
        if type(each) is not inner or (inner is Decimal and not each.is_finite()):
            raise _damaged()
    return tuple(value)


def _unknown(value: Any, number: int) -> NoReturn:
    name, _, words = _FIELD_OF[number]
    raise TypeError(f"{name} is not {value!r} but one of {', '.join((words or {}).values())}")


def _newer_word(name: str, value: int, words: dict[int, str]) -> NoReturn:
    if value < 1:
        raise _damaged()
    raise _newer(f"a record's {name} is word {value}, this program knows {len(words)}")


def _damaged() -> JournalError:
    return JournalError(
        "a record's body is damaged: it is not in the form it was written in",
        hint="`gaugepost verify` finds where",
    )


def _newer(finding: str) -> JournalError:
    return JournalError(
        finding, hint="a newer version of gaugepost wrote it: install that version or a later one"
    )


def _type(name: str) -> Any:
    """Return T for a field that is declared as T or as T | None."""
    hint = _HINTS[name]
    return typing.get_args(hint)[0] if type(None) in typing.get_args(hint) else hint


_HINTS = typing.get_type_hints(Record)
_PLACES: dict[str, tuple[int, Any, dict[Any, int] | None]] = {
    field.name: (
        field.metadata["number"],
        _type(field.name),
        {word: at for at, word in enumerate(field.metadata["words"], start=1)} or None,
    )
    for field in FIELDS
}
"""By field: its number, its type, and the numbers of its words where it has a closed vocabulary."""
_FIELD_OF: dict[int, tuple[str, Any, dict[int, str] | None]] = {
    field.metadata["number"]: (field.name, int, dict(enumerate(field.metadata["words"], start=1)))
    if field.metadata["words"]
    else (field.name, _type(field.name), None)
    for field in FIELDS
}
_plain = Plain(_FIELD_OF)
_fields_of = _plain.fields_of
