"""Gauges nobody has described that are odd in one way: lengths, blanks, a state that changes, points now and then."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import reduce
from operator import xor

from tests.teach.unknown_gauges import Gauge, Shown, shown

ODD = (
    "lengths in text",
    "lengths in binary",
    "blanks",
    "state in text",
    "state in binary",
    "state in nibbles",
    "points",
)


def odd_gauge(odd: str, dice: random.Random) -> Gauge:
    """A gauge that is odd in this way, and otherwise made at random."""
    words = odd.split()
    if words[-1] == "binary":
        return _binary(odd, dice)
    return _nibbles(odd, dice) if words[-1] == "nibbles" else _text(odd, dice)


def odd_shown(one: Gauge, dice: random.Random, *, held_out: bool = False) -> Shown:
    """Something it shows; where it drops the point, a whole number now and then."""
    what = shown(one, dice, held_out=held_out)
    return replace(what, decimals=0) if one.what.startswith("points") and dice.random() < 0.4 else what


def _text(odd: str, dice: random.Random) -> Gauge:
    end, lead = dice.choice(["\r\n", "\r", "\x03"]), dice.choice(["", "D", "A,", "01A"])
    units: dict[str, str] = dice.choice([{"mm": ""}, {"mm": " mm", "in": " in"}, {"mm": "M", "in": "I"}])
    always, left, apart = dice.random() < 0.5, dice.random() < 0.5, dice.random() < 0.5
    state = dice.choice([("N", "L"), (" ", "B"), (",OK", ",LB"), ("0", "1")])

    def frame(shown: Shown) -> bytes:
        number = shown.number
        sign = "-" if shown.negative else "+" if always else ""
        if odd == "blanks" and left:
            body = (sign + number).ljust(9)
        elif odd == "blanks" and apart:
            body = (sign or " ") + number.rjust(8)
        elif odd == "blanks":
            body = (sign + number).rjust(9)
        else:
            body = sign + number
        body = lead + body + units[shown.unit]
        if odd.startswith("state"):
            body += state[shown.count % 2]
        if odd.startswith("lengths"):
            body = f"{len(body) + 2:02d} {body}"
        return (body + ("!" if not shown.well else "") + end).encode("latin-1")

    places = {unit: dice.choice([2, 3]) if odd == "points" else 3 for unit in units}
    what = f"{odd}: text {lead!r} {units} always={always} left={left} apart={apart} {state} {end!r}"
    return Gauge(what, frame, dice.random() < 0.1, 99_999, places, True, faulty=True)


def _binary(odd: str, dice: random.Random) -> Gauge:
    start, size = bytes.fromhex(dice.choice(["AA55", "02", "A55A01"])), dice.choice([3, 4])
    high, check, twice = dice.random() < 0.5, dice.random() < 0.5, dice.random() < 0.5

    def frame(shown: Shown) -> bytes:
        value = -shown.digits if shown.negative else shown.digits
        data = value.to_bytes(size, "big" if high else "little", signed=True)
        data += bytes([shown.unit == "in"]) if twice else b""
        data += bytes([(0 if shown.well else 4) | (shown.count % 2 if odd.startswith("state") else 0)])
        if odd.startswith("lengths"):
            data += b"\x10" * (shown.count % 3)
            data = bytes([len(data) + len(start) + 1 + check]) + data
        data = start + data
        return data + (bytes([reduce(xor, data, 0)]) if check else b"")

    units = {"mm": 3, "in": 3} if twice else {"mm": 3}
    what = f"{odd}: binary {start.hex()} {size} high={high} check={check} unit={twice}"
    return Gauge(what, frame, dice.random() < 0.5, 99_999, units, True, faulty=True)


def _nibbles(odd: str, dice: random.Random) -> Gauge:
    order = ["sign", "digits", "state", "unit"]
    dice.shuffle(order)
    low, several = dice.random() < 0.5, dice.random() < 0.5

    def frame(shown: Shown) -> bytes:
        parts = {
            "sign": "8" if shown.negative else "0",
            "digits": f"{shown.digits:05d}",
            "state": f"{(0 if shown.well else 4) | shown.count % 2}",
            "unit": "1" if shown.unit == "in" else "0",
        }
        text = "FFFF" + "".join(parts[name] for name in order)
        if low:
            text = "".join(text[at : at + 2][::-1] for at in range(0, len(text), 2))
        return bytes.fromhex(text)

    units = {"mm": 3, "in": 3} if several else {"mm": 3}
    return Gauge(
        f"{odd}: nibbles {order} low={low}", frame, dice.random() < 0.5, 99_999, units, True, faulty=True
    )
