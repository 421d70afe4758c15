"""Bodies read as they were written: ascending fields in their shortest form, by far the most of a journal.

A library that reads all of CBOR takes nearly twice as long, most of it for decimals. Here is read only what
`codec.encode` writes; for whatever else a body holds the answer is None, and the library decides.

    head byte   00..17 the number itself      18 19 1a 1b  a number in the next 1, 2, 4, 8 bytes   20..3b  -1 less that
                40..5b bytes    60..7b text   80..97 array   c4 82 E D  decimal   f4 f5  false, true
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from gaugepost.core.record import FORMAT

_SIZES = {24: 1, 25: 2, 26: 4, 27: 8}
_LENGTHS = {major << 5 | low: 3 + _SIZES.get(low, 0) for major in (0, 1) for low in range(28)}
MOST_KEPT = 4096
_decimals: dict[bytes, Decimal] = {}
"""Decimals by their bytes: limits, temperatures and corrections are the same in thousands of records."""


class _Other(Exception):
    """Not what `codec.encode` writes."""


def fields_of(
    body: bytes, fields: Mapping[int, tuple[str, Any, dict[int, str] | None]]
) -> dict[str, Any] | None:
    """Return the body's fields by name, without its format number; None where it is not all in the usual form.

    `fields` are, by number, the name, the type and the words of each.
    """
    try:
        count, at = body[0] - 0xA0, 1
        if count == 24:
            count, at = body[1], 2
        if body[at] != 0 or body[at + 1] != FORMAT:  # the format comes first
            return None
        at, before, found = at + 2, 0, dict[str, Any]()
        for _ in range(count - 1):
            number = body[at]
            at += 1
            if number > 23:
                if number != 24:
                    return None
                number = body[at]
                at += 1
            if number <= before:
                return None
            before = number
            name, kind, words = fields[number]
            head = body[at]
            at += 1
            value: Any
            if head < 24:
                value = head
            elif 0x60 <= head < 0x78:
                end = at + head - 0x60
                value = str(body[at:end], "utf-8")
                at = end
            elif head == 0xC4:
                end = at + _LENGTHS[body[at + 2]]
                pair = body[at:end]
                value = _decimals.get(pair) or _decimal(pair)
                at = end
            else:
                value, at = _value(body, at - 1, head)
            if type(value) is not kind:
                return None
            found[name] = value if words is None else words[value]
    except (IndexError, KeyError, TypeError, ValueError, ArithmeticError, _Other):
        return None
    return found if at == len(body) else None


def _decimal(pair: bytes) -> Decimal:
    """Return the decimal that `pair` is the exponent and the digits of."""
    exponent, digits = pair[1], pair[2]
    if pair[0] != 0x82 or len(pair) < _LENGTHS[digits]:
        raise _Other
    if 0x20 <= exponent < 0x38:
        exponent = 31 - exponent
    elif exponent > 23:
        raise _Other
    number = int.from_bytes(pair[3:], "big") if len(pair) > 3 else digits & 31
    value = Decimal(f"{number if digits < 0x20 else -1 - number}E{exponent}")
    if len(_decimals) >= MOST_KEPT:
        _decimals.clear()
    _decimals[pair] = value
    return value


def _value(body: bytes, at: int, head: int) -> tuple[Any, int]:
    """Return the value that begins at `at` with `head`, and where it ends."""
    if head in (0xF4, 0xF5):
        return head == 0xF5, at + 1
    major, size = head >> 5, _SIZES.get(head & 31, 0)
    if not size and head & 31 > 23:
        raise _Other
    begin = at + 1 + size
    number = int.from_bytes(body[at + 1 : begin], "big") if size else head & 31
    if major == 0:
        return number, begin
    if major == 1:
        return -1 - number, begin
    end = begin + number
    if end > len(body):
        raise _Other
    if major == 2:
        return body[begin:end], end
    if major == 3:
        return str(body[begin:end], "utf-8"), end
    raise _Other
