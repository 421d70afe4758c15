"""A record as the world sees it: one flat set of names, ready for JSON, the same for every destination."""

from __future__ import annotations

import re
import typing
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from decimal import Decimal
from functools import cache, lru_cache
from typing import Any, Literal, Self

from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import exact_text
from gaugepost.core.record import COLUMNS, FIELDS, Entry, Record

Published = str | int | bool | list[str] | list[int]

POINTERS = frozenset({"mastering", "members", "replaces", "set_up"})
"""Fields that name other records: sequences in the journal, ids when published."""

_BEGINNING = datetime(1970, 1, 1)  # noqa: DTZ001  without a zone its text needs none taken off
_ID = re.compile(r"(?P<epoch>.{36})-(?P<sequence>[1-9][0-9]{0,18})", re.ASCII | re.DOTALL)
_LAST_SEQUENCE = 2**63 - 1
"""No journal goes farther: SQLite counts so far."""
_REST = tuple(f.name for f in FIELDS if f.name not in {"kind", "measured_at"})


PublishedType = Literal[
    "text",
    "word",
    "id",
    "time",
    "hex",
    "whole number",
    "exact number",
    "true or false",
    "list of texts",
    "list of ids",
    "list of exact numbers",
]
"""What a published value is, in the words of deploy/vocabulary.md."""

_TYPES: dict[object, PublishedType] = {
    str: "text",
    int: "whole number",
    bool: "true or false",
    bytes: "hex",
    Decimal: "exact number",
    tuple[str, ...]: "list of texts",
    tuple[int, ...]: "list of ids",
    tuple[Decimal, ...]: "list of exact numbers",
}


@cache
def published_types() -> dict[str, PublishedType]:
    """Return what each name of `core.record.COLUMNS` holds when it is published, in their order."""
    hints = typing.get_type_hints(Record)
    found: dict[str, PublishedType] = {
        "id": "id", "sequence": "whole number", "station": "text", "measured_at": "time", "hash": "hex",
    }  # fmt: skip
    for field in FIELDS:
        (told,) = [
            each
            for each in typing.get_args(hints[field.name]) or (hints[field.name],)
            if each is not type(None)
        ]
        if field.metadata["words"]:
            found[field.name] = "word"
        elif field.name in POINTERS and told is int:
            found[field.name] = "id"
        else:
            found.setdefault(field.name, _TYPES[told])
    return {name: found[name] for name in COLUMNS}


class Epoch(str):
    """A journal's epoch, and those before it: the records that were salvaged into the journal keep their ids.

    Sequences go on from one epoch to the next, so that a sequence names one record of the journal in any of them.
    """

    __slots__ = ("earlier",)
    earlier: tuple[tuple[int, str], ...]
    """The last sequence of each epoch before this one, and the epoch: ascending, none for most journals."""

    def __new__(cls, epoch: str, earlier: Iterable[tuple[int, str]] = ()) -> Self:
        """Make it of its own UUID and of what came before it."""
        made = super().__new__(cls, epoch)
        made.earlier = tuple(earlier)
        return made

    def of(self, sequence: int) -> str:
        """Return the epoch that the record with this `sequence` was written in."""
        return next((epoch for last, epoch in self.earlier if sequence <= last), str(self))

    def last(self, sequence: int) -> int | None:
        """Return the last sequence of the epoch that `sequence` is in; None where that epoch goes on."""
        return next((last for last, _ in self.earlier if sequence <= last), None)


def record_id(epoch: str, sequence: int) -> str:
    """Return the lasting id of a record: the epoch that it was written in and its sequence, joined by a hyphen."""
    written_in = epoch.of(sequence) if isinstance(epoch, Epoch) and epoch.earlier else epoch
    return f"{written_in}-{sequence}"


def parse_record_id(text: str) -> tuple[str, int]:
    """Return (epoch, sequence) from what `record_id` wrote.

    Raises:
        ValueRefused: anything else.
    """
    parts = _ID.fullmatch(text)
    if parts is None or int(parts["sequence"]) > _LAST_SEQUENCE:
        raise ValueRefused(
            f"{text[:80]!r} is not a record's id",
            hint="write it as published: the journal's epoch, a hyphen, the sequence",
        )
    return parts["epoch"], int(parts["sequence"])


def rfc3339(utc_ms: int) -> str:
    """Return UTC to the millisecond as RFC 3339 text: 2026-11-25T09:00:00.000Z."""
    return (_BEGINNING + timedelta(0, 0, 0, utc_ms)).isoformat("T", "milliseconds") + "Z"


def publish(entry: Entry, epoch: str, station: str) -> dict[str, Published]:
    """Return the record under the names of `core.record.COLUMNS`, in their order; what does not apply is left out.

    Exact numbers are text without exponent, `measured_at` is RFC 3339 in UTC, `raw` and `hash` are lower-case hex, and
    records that this one names are given by id.
    """
    record = entry.record
    published: dict[str, Published] = {
        "kind": record.kind.value,
        "id": record_id(epoch, entry.sequence),
        "sequence": entry.sequence,
        "station": station,
        "measured_at": rfc3339(record.measured_at),
    }
    given = vars(record)
    for name, told in _given(tuple(given)):
        if (value := given[name]) is not None:
            published[name] = _pointed(value, epoch) if told is None else told(value)
    published["hash"] = entry.hash.hex()
    return published


def publish_some(entry: Entry, epoch: str, station: str, names: frozenset[str]) -> dict[str, Published]:
    """Return those of the fields `names` that `publish` gives, with `id` and `sequence`: for many records at once."""
    record, given = entry.record, vars(entry.record)
    published: dict[str, Published] = {"kind": record.kind.value} if "kind" in names else {}
    published["id"] = record_id(epoch, entry.sequence)
    published["sequence"] = entry.sequence
    if "station" in names:
        published["station"] = station
    if "measured_at" in names:
        published["measured_at"] = rfc3339(record.measured_at)
    for name, told in _some_given(tuple(given), names):
        if (value := given[name]) is not None:
            published[name] = _pointed(value, epoch) if told is None else told(value)
    if "hash" in names:
        published["hash"] = entry.hash.hex()
    return published


@lru_cache(maxsize=1024)
def _some_given(
    names: tuple[str, ...], wanted: frozenset[str]
) -> tuple[tuple[str, Callable[[Any], Published] | None], ...]:
    """Return those of `_given` that are wanted."""
    return tuple(each for each in _given(names) if each[0] in wanted)


@lru_cache(maxsize=1024)
def _given(names: tuple[str, ...]) -> tuple[tuple[str, Callable[[Any], Published] | None], ...]:
    """Return the fields among `names` in their order, each with what publishes it; None where it names records.

    Records of a kind have mostly the same fields: what that comes to is found once for all of them.
    """
    types, present = published_types(), frozenset(names)
    return tuple(
        (name, None if name in POINTERS else _TOLD[types[name]]) for name in _REST if name in present
    )


def _pointed(value: int | tuple[int, ...], epoch: str) -> str | list[str]:
    if isinstance(value, tuple):
        return [record_id(epoch, sequence) for sequence in value]
    return record_id(epoch, value)


def _as_it_is(value: Any) -> Published:
    assert isinstance(value, int)
    return value


_TOLD: dict[PublishedType, Callable[[Any], Published]] = {
    "text": str,
    "word": str,  # a word of a closed vocabulary is not quite a text
    "hex": bytes.hex,
    "whole number": _as_it_is,
    "exact number": exact_text,
    "true or false": _as_it_is,
    "list of texts": list,
    "list of exact numbers": lambda values: list(map(exact_text, values)),
}
