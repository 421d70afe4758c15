"""What a HID device says that its reports hold (Device Class Definition for HID 1.11, section 6.2.2).

    item:  │ tag 4 bits │ type 2 │ size 2 │ data 0, 1, 2 or 4 bytes, the lowest first │       (6.2.2.2)

Global items stand until they are changed, local ones until the next main item; each Input item adds fields to its
report, from the lowest bit up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction

from gaugepost.contract import ValueRefused

_MAIN, _GLOBAL, _LOCAL = 0, 1, 2
_INPUT, _PUSH, _POP = 8, 10, 11
_USAGE, _USAGE_MIN, _USAGE_MAX = 0, 1, 2
_LONG_ITEM = 0xFE
_MOST_FIELDS = 4096

CENTIMETRE, INCH = 0x11, 0x13
"""Unit items of a length: system SI linear or English linear, length to the power of 1 (6.2.2.7)."""


class DescriptorBroken(ValueRefused):
    """Bytes that are no report descriptor."""


@dataclass(frozen=True, slots=True)
class Field:
    """One value in a report."""

    usage: int
    """Usage page in the upper 16 bits, usage in the lower ones (6.2.2.8)."""
    report: int | None
    """Number of its report, None where reports have none."""
    offset: int
    """Bits before it, without the report's number."""
    size: int
    """Its bits."""
    logical: tuple[int, int]
    physical: tuple[int, int]
    unit: int
    exponent: int

    @property
    def step(self) -> Fraction:
        """One logical step in the field's unit (6.2.2.7: the inverse of its resolution)."""
        least, most = self.logical
        low, high = self._physical()
        return Fraction(high - low, most - least) * Fraction(10) ** self.exponent

    def value(self, logical: int) -> Fraction:
        """Return what a logical value stands for, in the field's unit."""
        return (logical - self.logical[0]) * self.step + self._physical()[0] * Fraction(10) ** self.exponent

    def _physical(self) -> tuple[int, int]:
        # Undeclared, or both zero: the same as the logical extents (6.2.2.7).
        return self.logical if self.physical == (0, 0) else self.physical

    def read(self, report: bytes) -> int:
        """Return the logical value in a report without its number; signed where its least value is negative."""
        bits = int.from_bytes(report, "little") >> self.offset & (1 << self.size) - 1
        negative = self.logical[0] < 0 and bits >> self.size - 1
        return bits - (1 << self.size) if negative else bits

    def described(self) -> str:
        """Name it and its unit, as "0020:0494 in report 1, 24 bits, centimetres"."""
        unit = {0: "no unit", CENTIMETRE: "centimetres", INCH: "inches"}.get(self.unit, "another unit")
        report = f" in report {self.report}" if self.report is not None else ""
        return f'"{self.usage >> 16:04x}:{self.usage & 0xFFFF:04x}"{report}, {self.size} bits, {unit}'


@dataclass(frozen=True, slots=True)
class _Globals:
    page: int = 0
    logical_min: int = 0
    logical_max: tuple[int, int] = (0, 0)
    """As signed and as unsigned: which of them counts hangs on the minimum."""
    physical_min: int = 0
    physical_max: tuple[int, int] = (0, 0)
    exponent: int = 0
    unit: int = 0
    size: int = 0
    report: int | None = None
    count: int = 0


@dataclass(slots=True)
class _Locals:
    usages: list[int] = field(default_factory=list)
    least: int | None = None


@dataclass(frozen=True, slots=True)
class Descriptor:
    """The fields of a device's input reports."""

    fields: tuple[Field, ...]
    bits: dict[int | None, int]
    """Bits of each report, without its number."""

    @property
    def numbered(self) -> bool:
        """Whether reports begin with their number."""
        return None not in self.bits

    @classmethod
    def parse(cls, data: bytes) -> Descriptor:
        """Read a report descriptor.

        Raises:
            DescriptorBroken: it ends within an item, pops what was not pushed, or has more fields than any gauge.
        """
        state, stack, local = _Globals(), list[_Globals](), _Locals()
        found: list[Field] = []
        bits: dict[int | None, int] = {}
        for kind, tag, raw in _items(data):
            if kind == _GLOBAL and tag == _PUSH:
                stack.append(state)
            elif kind == _GLOBAL and tag == _POP:
                if not stack:
                    raise DescriptorBroken("it pops a state that it did not push")
                state = stack.pop()
            elif kind == _GLOBAL:
                state = _changed(state, tag, raw)
            elif kind == _LOCAL:
                _named(local, tag, raw, state.page)
            elif kind == _MAIN:
                if tag == _INPUT:
                    at = bits.get(state.report, 0)
                    found += _fields(state, local, int.from_bytes(raw, "little"), at)
                    bits[state.report] = at + state.size * state.count
                local = _Locals()
            if len(found) > _MOST_FIELDS:
                raise DescriptorBroken(f"it has more than {_MOST_FIELDS} fields")
        return cls(tuple(found), bits)

    def values(self) -> list[Field]:
        """Return the fields of more than one bit that have a usage: those that can hold a measured value."""
        return [one for one in self.fields if one.size > 1 and one.usage & 0xFFFF]


def _items(data: bytes) -> Iterator[tuple[int, int, bytes]]:
    at = 0
    while at < len(data):
        prefix = data[at]
        if prefix == _LONG_ITEM:  # 6.2.2.3; none are defined, all are skipped
            size, head = (data[at + 1] if at + 1 < len(data) else 0), 3
        else:
            size, head = (0, 1, 2, 4)[prefix & 3], 1
        end = at + head + size
        if end > len(data):
            raise DescriptorBroken(f"it ends within the item at byte {at}")
        if prefix != _LONG_ITEM:
            yield prefix >> 2 & 3, prefix >> 4, data[at + head : end]
        at = end


def _changed(state: _Globals, tag: int, raw: bytes) -> _Globals:
    signed, unsigned = int.from_bytes(raw, "little", signed=True), int.from_bytes(raw, "little")
    # In a nibble, 8 to 15 stand for -8 to -1 (6.2.2.7).
    exponent = signed if unsigned > 15 else unsigned - 16 if unsigned > 7 else unsigned
    match tag:
        case 0:
            return replace(state, page=unsigned)
        case 1:
            return replace(state, logical_min=signed)
        case 2:
            return replace(state, logical_max=(signed, unsigned))
        case 3:
            return replace(state, physical_min=signed)
        case 4:
            return replace(state, physical_max=(signed, unsigned))
        case 5:
            return replace(state, exponent=exponent)
        case 6:
            return replace(state, unit=unsigned)
        case 7:
            return replace(state, size=unsigned)
        case 8:
            return replace(state, report=unsigned)
        case 9:
            return replace(state, count=unsigned)
    return state


def _named(local: _Locals, tag: int, raw: bytes, page: int) -> None:
    number = int.from_bytes(raw, "little")
    usage = number if len(raw) == 4 else page << 16 | number
    if tag == _USAGE:
        local.usages.append(usage)
    elif tag == _USAGE_MIN:
        local.least = usage
    elif tag == _USAGE_MAX and local.least is not None:
        if usage - local.least > _MOST_FIELDS:
            raise DescriptorBroken("it has a range of usages without end")
        local.usages += range(local.least, usage + 1)
        local.least = None


def _fields(state: _Globals, local: _Locals, flags: int, at: int) -> Iterator[Field]:
    """Yield the fields that an Input item adds; constants and arrays hold no measured value (6.2.2.5)."""
    if state.count > _MOST_FIELDS or state.size > 1024:
        raise DescriptorBroken(f"it has {state.count} fields of {state.size} bits in a row")
    constant, variable = flags & 1, flags & 2
    if constant or not variable or not local.usages or not state.size:
        return
    logical = (state.logical_min, state.logical_max[0 if state.logical_min < 0 else 1])
    physical = (state.physical_min, state.physical_max[0 if state.physical_min < 0 else 1])
    if logical[1] <= logical[0]:
        return
    for number in range(state.count):
        # Fewer usages than fields: the last one is for all that are left (6.2.2.8).
        usage = local.usages[min(number, len(local.usages) - 1)]
        yield Field(
            usage,
            state.report,
            at + number * state.size,
            state.size,
            logical,
            physical,
            state.unit,
            state.exponent,
        )
