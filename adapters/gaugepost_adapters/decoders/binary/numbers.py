"""Bytes as the number they stand for, written out in digits: nothing is rounded that its settings do not say."""

from __future__ import annotations

import decimal
import math
import struct
from decimal import Decimal

from gaugepost.contract import ValueRefused
from gaugepost_adapters.decoders.binary.checks import BIG, Order
from gaugepost_adapters.decoders.framed import with_decimals

_EXACT = decimal.Context(
    prec=1200, rounding=decimal.ROUND_HALF_EVEN, traps=[decimal.InvalidOperation, decimal.Inexact]
)
"""More digits than any product of a double with a multiplier has."""
_ROUNDING = decimal.Context(prec=1200, rounding=decimal.ROUND_HALF_EVEN, traps=[decimal.InvalidOperation])

_FRACTION_BITS = {4: 23, 8: 52}
_LEAST_EXPONENT = {4: -126, 8: -1022}


class NotFinite(ValueRefused):
    """A float that is no number."""


def multiplied(number: int, multiplier: Decimal) -> str:
    """Return the product in plain digits, to the multiplier's last digit."""
    return format(_EXACT.multiply(Decimal(number), multiplier), "f")


def integer(data: bytes, order: Order, signed: bool) -> int:
    """Return the integer, two's complement where it is signed."""
    return int.from_bytes(data, BIG[order], signed=signed)


def float_text(data: bytes, order: Order, multiplier: Decimal, resolution: Decimal) -> str:
    """Return an IEEE 754 single or double times `multiplier`, rounded once, half to even, to `resolution`.

    A float has no digits of its own, so the resolution is declared. It is held by the float if neighbouring floats are
    less than one step apart: then each step has its own float, and rounding gives back what the gauge rounded (6 digits
    of a single and 15 of a double always are: FLT_DIG and DBL_DIG, ISO/IEC 9899:2011, 5.2.4.2.2).

    Raises:
        NotFinite: it is infinite or not a number.
        ValueRefused: so large a float does not hold the resolution.
    """
    size = len(data)
    (value,) = struct.unpack((">" if order == "high-first" else "<") + ("f" if size == 4 else "d"), data)
    if not math.isfinite(value):
        raise NotFinite(f"{value} is no number")
    exponent = max(math.frexp(value)[1] - 1, _LEAST_EXPONENT[size]) if value else _LEAST_EXPONENT[size]
    spacing = Decimal(math.ldexp(1.0, exponent - _FRACTION_BITS[size]))
    if _EXACT.multiply(spacing, multiplier) >= resolution:
        raise ValueRefused(
            f"a float of {size} bytes as large as {value:g} does not hold a step of {resolution}"
        )
    exact = _EXACT.multiply(Decimal(value), multiplier)
    return format(exact.quantize(resolution, context=_ROUNDING), "f")


def bcd_text(nibbles: str, multiplier: Decimal) -> str:
    """Return packed decimal digits times `multiplier`, leading zeros kept where it only sets the point.

    Raises:
        ValueRefused: a nibble is no digit.
    """
    if not (nibbles.isascii() and nibbles.isdecimal()):
        raise ValueRefused(f"{nibbles} is no run of decimal digits")
    _, digits, exponent = multiplier.as_tuple()
    assert isinstance(exponent, int)
    return with_decimals(nibbles, -exponent) if digits == (1,) else multiplied(int(nibbles), multiplier)
