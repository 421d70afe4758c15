"""Bodies read as they were written: ascending fields in their shortest form, by far the most of a journal.

A library that reads all of CBOR takes twice as long, most of it for decimals. Here is read only what `codec.encode`
writes, to the byte, so that what was read is proven to be in that form; for whatever else a body holds the answer is
None, and the library decides. One expression cuts a body into its fields, and a field that was met before is known by
its bytes: names, limits, temperatures and corrections are the same in thousands of records.
"""

from __future__ import annotations

import re
import typing
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from gaugepost.core.quantity import CONTEXT
from gaugepost.core.record import FORMAT, NUMBER_OF
from gaugepost.edge.journal.bodies.alike import Alike
from gaugepost.edge.journal.bodies.expressions import PART, fields_in

Fields = Mapping[int, tuple[str, Any, dict[int, str] | None]]
"""By number: a field's name, its type, and its words by their numbers where it has a closed vocabulary."""

MOST_KEPT = 4096
_parts_of = re.compile(PART, re.DOTALL).findall
_NEEDED = frozenset(("kind", "measured_at", "clock_ms"))
_OF_ONE_RECORD = frozenset((NUMBER_OF["measured_at"], NUMBER_OF["clock_ms"]))


class Plain:
    """Reads bodies of records with `fields`."""

    def __init__(self, fields: Fields) -> None:
        self._known = _Known(fields)
        self._alike = Alike(self._known.__getitem__)

    def fields_of(self, body: bytes) -> dict[str, Any] | None:
        """Return the body's fields by name, without its format number; None: it is not what `codec.encode` writes."""
        found = self._alike.fields_of(body)
        if found is None and (found := self._by_field(body)) is not None:
            self._alike.seen(body)
        return found

    def some_of(self, body: bytes, names: frozenset[str]) -> dict[str, Any] | None:
        """Return those of the fields `names` that the body has, with what every record has; None as above.

        Others may be there too. Where it is like those before, what comes after the last of them is not looked at.
        """
        found = self._alike.some_of(body, names)
        return self.fields_of(body) if found is None else found

    def _by_field(self, body: bytes) -> dict[str, Any] | None:
        count, begin = (body[1:2], 2) if body[:1] == b"\xb8" else (body[:1], 1)
        parts = fields_in(body, begin + 2)
        try:
            found = dict(map(self._known.__getitem__, parts))
            if (
                len(found) + 1 == (count[0] if begin == 2 else count[0] - 0xA0)
                and (begin == 1 or count[0] > 23)
                and body[begin : begin + 2] == _FORMAT
                and parts == sorted(parts)
                and _NEEDED.issubset(found)
            ):
                return found
        except (LookupError, ValueError):
            pass
        return None


_FORMAT = bytes((0, FORMAT))


class _Known(dict[bytes, tuple[str, Any]]):
    """Fields by their bytes, as name and value. Bytes that are no field are a `LookupError` or a `ValueError`."""

    def __init__(self, fields: Fields) -> None:
        super().__init__()
        self._fields = fields

    def __missing__(self, part: bytes) -> tuple[str, Any]:
        number, at = part[0], 1
        if number == 24:
            number, at = part[1], 2
        name, kind, words = self._fields[number]
        value: Any = _decimal(part, at) if part[at] == 0xC4 else _value(part, at)
        if type(value) is not kind and not _is_list_of(value, kind):
            raise LookupError
        made = name, value if words is None else words[value]
        if number not in _OF_ONE_RECORD:
            if len(self) >= MOST_KEPT:
                self.clear()
            self[part] = made
        return made


def _decimal(part: bytes, at: int) -> Decimal:
    """Return the decimal that stands in `part` from `at` on."""
    exponent, whole = part[at + 2], _value(part, at + 3)
    return Decimal(whole).scaleb(exponent if exponent < 0x20 else 31 - exponent, CONTEXT)


def _value(part: bytes, at: int) -> Any:
    """Return the value that stands in `part` from `at` on, decimals aside."""
    major, low = part[at] >> 5, part[at] & 31
    if major < 2:
        number = low if low < 24 else int.from_bytes(part[at + 1 :], "big")
        return number if major == 0 else -1 - number
    if major < 4:
        text = part[at + (1 if low < 24 else 2) :]
        return text if major == 2 else str(text, "utf-8")
    if major == 4:
        return tuple(
            _decimal(each, 0) if each[0] == 0xC4 else _value(each, 0) for each in _parts_of(part, at + 1)
        )
    return low == 21


def _is_list_of(value: Any, kind: Any) -> bool:
    if type(value) is not tuple:
        return False
    (inner,) = typing.get_args(kind)[:1] or (None,)
    return all(type(each) is inner for each in value)
