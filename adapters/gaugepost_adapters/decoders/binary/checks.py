"""Checksums and cyclic redundancy checks, by their parameters: what a frame sends to prove that it came whole.

The parameters are those in which such checks are usually published: width, polynomial, initial value, reflection of
input and output, and what the result is combined with at the end (R. Williams, "A Painless Guide to CRC Error Detection
Algorithms", 1993).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, reduce
from operator import xor
from typing import Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from gaugepost.contract import AdapterSettings, Key, refusal, refused_keys

Order = Literal["high-first", "low-first"]
BIG: dict[Order, Literal["big", "little"]] = {"high-first": "big", "low-first": "little"}


class Check(AdapterSettings):
    """The check that a frame ends with, before its terminator."""

    kind: Literal["sum", "negative-sum", "xor", "crc"]
    """Sum of the bytes, two's complement of the sum, exclusive or of the bytes, or cyclic redundancy check."""
    width: Literal[8, 16, 24, 32, 64] = 8
    """Bits of the check."""
    order: Order = "high-first"
    """Which byte of it is sent first."""
    begins: int = Field(default=1, ge=1, le=256)
    """Place of the first byte that it covers; it covers all from there to itself."""
    polynomial: int | None = Field(default=None, ge=1)
    """Of a crc: the polynomial without its highest bit, the high bit first: 0x8005, 0x1021, 0x04C11DB7."""
    initial: int = Field(default=0, ge=0)
    """Of a crc: what the register holds before the first byte."""
    reflect_in: bool = False
    """Of a crc: each byte goes in with its lowest bit first."""
    reflect_out: bool = False
    """Of a crc: the register is turned about before `xor_out`."""
    xor_out: int = Field(default=0, ge=0)
    """Of a crc: what the result is combined with, bit by bit."""

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        found: dict[Key, PydanticCustomError] = {}
        if self.kind == "crc" and self.polynomial is None:
            found["polynomial",] = refusal(
                "is missing", "the crc's polynomial without its highest bit", hint="write polynomial = 0x1021"
            )
        for name in ("polynomial", "initial", "xor_out"):
            value = getattr(self, name)
            if value and self.kind != "crc":
                found[name,] = refusal(f"belongs to a crc, not to a {self.kind}", hint="take it out")
            elif value and value >> self.width:
                found[name,] = refusal(f"{value:#x} has more than {self.width} bits", hint="see width")
        if (self.reflect_in or self.reflect_out) and self.kind != "crc":
            found["kind",] = refusal(
                f"a {self.kind} reflects nothing", hint="take reflect_in and reflect_out out"
            )
        if found:
            raise refused_keys("Check", found)
        return self

    @property
    def size(self) -> int:
        """Bytes of the check."""
        return self.width // 8

    def function(self) -> Callable[[bytes], bytes]:
        """Return what gives the check of some bytes, as it is sent."""
        size, order, mask = self.size, BIG[self.order], (1 << self.width) - 1
        if self.kind == "crc":
            number = crc(self)
        elif self.kind == "xor":
            # Wider than a byte, it combines words, of which the last is filled up with zeros.
            number = _xor_of(size, order)
        else:
            sign = -1 if self.kind == "negative-sum" else 1
            number = _sum_of(sign, mask)
        return lambda data: number(data).to_bytes(size, order)


def _sum_of(sign: int, mask: int) -> Callable[[bytes], int]:
    return lambda data: sign * sum(data) & mask


def _xor_of(size: int, order: Literal["big", "little"]) -> Callable[[bytes], int]:
    if size == 1:
        return lambda data: reduce(xor, data, 0)

    def words(data: bytes) -> int:
        filled = data + bytes(-len(data) % size)
        return reduce(
            xor, (int.from_bytes(filled[at : at + size], order) for at in range(0, len(filled), size)), 0
        )

    return words


@cache
def _table(width: int, polynomial: int, reflected: bool) -> tuple[int, ...]:
    """What a byte does to the register, for each of the 256."""
    mask, table = (1 << width) - 1, []
    for byte in range(256):
        register = (_reflected(byte, 8) if reflected else byte) << (width - 8)
        for _ in range(8):
            register = ((register << 1) ^ (polynomial if register >> (width - 1) else 0)) & mask
        table.append(_reflected(register, width) if reflected else register)
    return tuple(table)


def crc(check: Check) -> Callable[[bytes], int]:
    """Return the cyclic redundancy check with these parameters."""
    width, mask, shift = check.width, (1 << check.width) - 1, check.width - 8
    assert check.polynomial is not None
    table = _table(width, check.polynomial, check.reflect_in)
    start = _reflected(check.initial, width) if check.reflect_in else check.initial

    def of(data: bytes) -> int:
        register = start
        if check.reflect_in:
            for byte in data:
                register = table[(register ^ byte) & 0xFF] ^ (register >> 8)
        else:
            for byte in data:
                register = table[(register >> shift) ^ byte] ^ (register << 8 & mask)
        if check.reflect_in != check.reflect_out:
            register = _reflected(register, width)
        return register ^ check.xor_out

    return of


def _reflected(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)
