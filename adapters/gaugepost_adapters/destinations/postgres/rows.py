"""Records as rows: which column has which type, and what COPY's text format makes of a published value. Pure.

    column ⇥ column ⇥ …  ↵        \\N is NULL; \\\\ \\t \\n \\r stand for a backslash, tab, line feed, carriage return

Exact numbers go as the digits that they are published with: no float and no rounding comes between.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from gaugepost.contract import Publication, PublishedType, parse_record_id, published_types

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

_ESCAPED = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})
_IN_LIST = str.maketrans({"\\": "\\\\", '"': '\\"'})


def used(batch: Iterable[Publication]) -> list[str]:
    """Return the columns that any record of `batch` fills, in their order."""
    names = {EPOCH}.union(*batch)
    return [name for name in COLUMNS if name in names]


def text_of(batch: Sequence[Publication], columns: Sequence[str]) -> Iterator[bytes]:
    """Yield `batch` in COPY's text format, `CHUNK` rows at a time, with `columns` filled."""
    makers = [(name, _MAKERS[COLUMNS[name]]) for name in columns if name != EPOCH]
    at = columns.index(EPOCH)
    for start in range(0, len(batch), CHUNK):
        lines = []
        for record in batch[start : start + CHUNK]:
            fields = ["\\N" if (value := record.get(name)) is None else make(value) for name, make in makers]
            fields.insert(at, parse_record_id(str(record["id"]))[0])
            lines.append("\t".join(fields))
        # A lone surrogate is in no text that the server takes: it refuses the record and says so.
        yield ("\n".join(lines) + "\n").encode(errors="surrogatepass")


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
    "timestamp with time zone": _plain,
    "bytea": _hex,
    "bigint": str,
    "numeric": str,
    "boolean": _truth,
    "text[]": _list,
    "numeric[]": _list,
}
