"""Records as rows: which column has which type, and what COPY's text format makes of a published value. Pure.

    column ⇥ column ⇥ …  ↵        \\N is NULL; \\\\ \\t \\n \\r stand for a backslash, tab, line feed, carriage return

Exact numbers go as the digits that they are published with: no float and no rounding comes between.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from gaugepost.contract import Publication, PublishedType, published_types

_SQL: dict[PublishedType, str] = {
    "text": "text",
    "word": "text",
    "id": "text",
    "time": "timestamp with time zone",
    "hex": "bytea",
    "whole number": "bigint",
    "exact number": "numeric",
    "true or false": "boolean",
    "list of texts": "text[]",
    "list of ids": "text[]",
    "list of exact numbers": "numeric[]",
}

EPOCH = "journal_epoch"
"""The one column that is not in the vocabulary: the journal's epoch, which an id begins with."""

COLUMNS: dict[str, str] = {EPOCH: "uuid"} | {name: _SQL[told] for name, told in published_types().items()}
"""Type of each column that is filled, as the server names it."""

NEVER_NULL = frozenset({EPOCH, "kind", "id", "sequence", "station", "measured_at", "hash"})

CHUNK = 64
"""Rows that are made into text at a time: between two of them the event loop does what waits."""

_NULL = "\\N"
_ESCAPES = {"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"}
_ESCAPED = str.maketrans(_ESCAPES)
_IN_LIST = str.maketrans({"\\": "\\\\", '"': '\\"'})


def used(batch: Iterable[Publication]) -> list[str]:
    """Return the columns that any record of `batch` fills, in their order."""
    names = {EPOCH}.union(*batch)
    return [name for name in COLUMNS if name in names]


def text_of(batch: Sequence[Publication], columns: Sequence[str]) -> Iterator[bytes]:
    """Yield `batch` in COPY's text format, `CHUNK` rows at a time, with `columns` filled."""
    for start in range(0, len(batch), CHUNK):
        part = batch[start : start + CHUNK]
        made = [_epochs(part) if name == EPOCH else _column(name, part) for name in columns]
        # A lone surrogate is in no text that the server takes: it refuses the record and says so.
        yield ("\n".join(map("\t".join, zip(*made, strict=True))) + "\n").encode(errors="surrogatepass")


def _epochs(part: Sequence[Publication]) -> list[str]:
    return [str(record["id"]).rpartition("-")[0] for record in part]


def _column(name: str, part: Sequence[Publication]) -> list[str]:
    """Return one column's fields: by the column, since most need nothing done to them and that is seen at once."""
    values = [record.get(name) for record in part]
    make = _MAKERS[COLUMNS[name]]
    if None in values:
        return [_NULL if value is None else make(value) for value in values]
    texts = list(map(str if make is _plain else make, values))
    if make is _plain and any(map("".join(texts).__contains__, _ESCAPES)):
        return list(map(_plain, texts))
    return texts


def _plain(value: object) -> str:
    return str(value).translate(_ESCAPED)


def _hex(value: object) -> str:
    return f"\\\\x{value}"


def _truth(value: object) -> str:
    return "t" if value else "f"


def _list(value: object) -> str:
    if not isinstance(value, list):
        raise TypeError(f"a list of a record is a list, not {value!r}")
    inner = ",".join('"' + str(each).translate(_IN_LIST) + '"' for each in value)
    return ("{" + inner + "}").translate(_ESCAPED)


_MAKERS: dict[str, Callable[[object], str]] = {
    "text": _plain,
    "timestamp with time zone": str,
    "bytea": _hex,
    "bigint": str,
    "numeric": str,
    "boolean": _truth,
    "text[]": _list,
    "numeric[]": _list,
}
