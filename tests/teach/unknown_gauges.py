"""Gauges nobody has described, made at random: what they show, and bytes for it by an encoder of its own."""

from __future__ import annotations

import binascii
import random
import struct
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import reduce
from itertools import pairwise
from operator import xor

from gaugepost.contract import Chunk, Moment
from gaugepost.teach import Ask, Evidence, Sample, read_typed

BOOT = "b"


@dataclass(frozen=True)
class Shown:
    """What a display shows, and the state beside it that nobody types."""

    digits: int
    negative: bool
    unit: str
    decimals: int
    well: bool = True
    count: int = 0

    @property
    def number(self) -> str:
        whole = str(self.digits).rjust(self.decimals + 1, "0")
        return f"{whole[: -self.decimals]}.{whole[-self.decimals :]}" if self.decimals else whole

    @property
    def value(self) -> Decimal:
        return -Decimal(self.number) if self.negative else Decimal(self.number)


@dataclass(frozen=True)
class Gauge:
    """An unknown gauge: how it makes a frame of what it shows."""

    what: str
    frame: Callable[[Shown], bytes]
    packets: bool
    most: int
    """Digits it can show at most, as a whole number."""
    decimals: dict[str, int]
    signed: bool
    faulty: bool
    """Whether its frames tell that a value does not count."""


def text_gauge(dice: random.Random) -> Gauge:
    """A gauge that sends text."""
    end = dice.choice(["\r\n", "\r", "\n", "\x03"])
    lead = dice.choice(["", "", "D", "DIA:", "01A", "\x02", "A,", "# "])
    mark = dice.choice([".", ".", ",", ""])
    width = dice.choice([0, 0, 7, 8])
    fill = dice.choice("0 ") if mark else "0"
    sign = dice.choice(["always", "minus", "digit", "space"])
    units: dict[str, str] = dice.choice(
        [{"mm": ""}, {"mm": " mm", "in": " in"}, {"mm": "M", "in": "I"}, {"mm": "mm"}]
    )
    status = dice.choice(["", "", " N", "0", ",OK"])
    counts = dice.random() < 0.2
    if sign == "digit" or (not mark):
        width = width or 7
        fill = "0"

    def frame(shown: Shown) -> bytes:
        number = shown.number.replace(".", mark)
        minus = "-" if shown.negative else {"always": "+", "space": " "}.get(sign, "")
        if sign == "digit":
            minus = "1" if shown.negative else "0"
        body = (minus + number).rjust(width) if width and fill == " " else minus + number.rjust(width, "0")
        bad = {" N": " O", "0": "1", ",OK": ",ER"}.get(status, "")
        count = f"{shown.count:04d}," if counts else ""
        tail = status if shown.well else bad
        text = lead + count + body + units[shown.unit] + tail + end
        return text.encode("latin-1")

    places = {unit: (dice.choice([2, 3]) if mark else 3) if unit == "mm" else 3 for unit in units}
    what = f"text {lead!r} {mark!r} {width} {fill!r} {sign} {units} {status!r} {counts} {end!r}"
    return Gauge(what, frame, dice.random() < 0.1, 99_999, places, True, bool(status))


def nibble_gauge(dice: random.Random) -> Gauge:
    """A gauge that sends a digit in each nibble."""
    low, backwards = dice.random() < 0.5, dice.random() < 0.3
    start = dice.choice(["", "FFFF", "FAFA", "AA"])
    order = ["sign", "digits", *dice.sample(["unit", "point", "status"], dice.randint(0, 3))]
    dice.shuffle(order)
    minus = dice.choice("18D")
    units = (
        {"mm": 3, "in": 4}
        if {"unit", "point"} <= set(order)
        else {"mm": 3, "in": 3}
        if "unit" in order
        else {"mm": 3}
    )

    def frame(shown: Shown) -> bytes:
        digits = f"{shown.digits:06d}"
        parts = {
            "sign": minus if shown.negative else "0",
            "digits": digits[::-1] if backwards else digits,
            "unit": "1" if shown.unit == "in" else "0",
            "point": str(shown.decimals),
            "status": "0" if shown.well else "2",
        }
        text = start + "".join(parts[name] for name in order)
        text += "0" * (len(text) % 2)
        if low:
            text = "".join(text[at : at + 2][::-1] for at in range(0, len(text), 2))
        return bytes.fromhex(text)

    what = f"nibbles {start} {order} {minus} low={low} backwards={backwards}"
    return Gauge(what, frame, dice.random() < 0.5, 99_999, units, True, "status" in order)


def binary_gauge(dice: random.Random) -> Gauge:
    """A gauge that sends a binary number."""
    start = bytes.fromhex(dice.choice(["", "AA55", "02", "C3", "A55A01"]))
    size, high = dice.choice([3, 4, 4, 8]), dice.random() < 0.5
    code = dice.choice(["signed", "signed", "magnitude", "float", "bcd", "flag", "unsigned"])
    check = dice.choice(["", "sum", "xor", "crc16", "crc32"])
    status, unit_at, counts = dice.random() < 0.5, dice.random() < 0.4, dice.random() < 0.2
    times = dice.choice([1, 1, 1, 5]) if code in ("signed", "unsigned") else 1
    endian = "big" if high else "little"

    def number(shown: Shown) -> bytes:
        value = (-1 if shown.negative else 1) * (shown.digits // times)
        if code == "float":
            return struct.pack((">" if high else "<") + "f", float(shown.value))
        if code == "bcd":
            packed = bytes.fromhex(f"{shown.digits:07d}" + ("D" if shown.negative else "C"))
            return packed if high else packed[::-1]
        if code in ("flag", "unsigned"):
            return shown.digits.__floordiv__(times).to_bytes(size, endian)  # type: ignore[arg-type]
        if code == "magnitude":
            return (abs(value) | (int(shown.negative) << (8 * size - 1))).to_bytes(size, endian)  # type: ignore[arg-type]
        return value.to_bytes(size, endian, signed=True)  # type: ignore[arg-type]

    def frame(shown: Shown) -> bytes:
        data = start + (bytes([0x80 * shown.negative]) if code == "flag" else b"") + number(shown)
        data += bytes([shown.unit == "in"]) if unit_at else b""
        data += bytes([0 if shown.well else 4]) if status else b""
        data += bytes([shown.count & 255]) if counts else b""
        checks = {
            "": b"",
            "sum": bytes([sum(data) & 255]),
            "xor": bytes([reduce(xor, data, 0)]),
            "crc16": struct.pack(">H", binascii.crc_hqx(data, 0xFFFF)),
            "crc32": struct.pack("<I", binascii.crc32(data)),
        }
        return data + checks[check]

    what = f"binary {start.hex()} {size} high={high} {code} {check} status={status} unit={unit_at} counts={counts}"
    most = 99_999 * (5 if times == 5 else 1)
    units = {"mm": 3, "in": 3} if unit_at else {"mm": 3}
    return Gauge(f"{what} times={times}", frame, dice.random() < 0.5, most, units, code != "unsigned", status)


def gauge(dice: random.Random) -> Gauge:
    """Any unknown gauge."""
    return dice.choice([text_gauge, nibble_gauge, binary_gauge])(dice)


def shown(one: Gauge, dice: random.Random, *, held_out: bool = False) -> Shown:
    """Something it shows; `held_out` goes further than a person does while teaching."""
    unit = dice.choice(list(one.decimals)) if dice.random() < (0.5 if held_out else 0.25) else "mm"
    digits = dice.randint(1, one.most if dice.random() < 0.6 else one.most // 50)
    digits -= digits % 5 if one.most > 99_999 else 0
    negative = one.signed and dice.random() < (0.4 if held_out else 0.3)
    well = not (one.faulty and held_out and dice.random() < 0.2)
    return Shown(digits, negative, unit, one.decimals[unit], well, dice.randint(0, 9999))


def chunks(data: bytes, at_ms: int, packets: bool, dice: random.Random) -> tuple[Chunk, ...]:
    """Bytes as a link might cut them."""
    if packets:
        return (Chunk(data, Moment(at_ms, at_ms, BOOT), complete=True),)
    cut = sorted({0, len(data), *(dice.randint(0, len(data)) for _ in range(dice.randint(0, 3)))})
    return tuple(
        Chunk(data[a:b], Moment(at_ms + n, at_ms + n, BOOT)) for n, (a, b) in enumerate(pairwise(cut))
    )


def typed(one: Shown, dice: random.Random) -> str:
    """What a person types of it."""
    number = one.number.replace(".", dice.choice(".,"))
    return f"{'-' if one.negative else ''}{number} {one.unit}"


Show = Callable[[Gauge, random.Random], Shown]


def taught(one: Gauge, dice: random.Random, show: Show = shown) -> tuple[Evidence, list[Shown], bool]:
    """Evidence of three to six measurements with all that goes wrong, and whether a typing did."""
    samples, all_shown, wrong = [], [], False
    noise = dice.random() < 0.25
    for number in range(dice.randint(3, 6)):
        what = show(one, dice)
        what = replace(what, count=what.count // 10 * 10 + number)
        data = one.frame(what) * (dice.choice([1, 1, 1, 3]) if not one.packets else 1)
        if noise:
            junk = dice.choice(
                [b"READY\r\n", b"T21.4\r", b"\x00\xff", dice.randbytes(9), one.frame(show(one, dice))]
            )
            data = dice.choice([junk + data, data + junk])
        told = what
        if dice.random() < 0.05:
            wrong, slip = True, dice.randint(0, 2)
            told = [
                replace(what, digits=what.digits ^ dice.randint(1, 7)),
                replace(what, negative=not what.negative),
                replace(what, unit="in" if what.unit == "mm" else "mm"),
            ][slip]
        samples.append(Sample(read_typed(typed(told, dice)), chunks(data, 5000 * number, one.packets, dice)))
        all_shown.append(what)
    return Evidence(tuple(samples)), all_shown, wrong


def can_never(one: Gauge) -> frozenset[Ask]:
    """What a person can truly say that it can't show."""
    never: frozenset[Ask] = frozenset() if one.signed else frozenset({Ask.NEGATIVE})
    return never if len(one.decimals) > 1 else never | {Ask.UNIT}
