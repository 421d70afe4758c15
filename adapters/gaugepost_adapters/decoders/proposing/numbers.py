"""Proposes layouts of binary frames: a number that is what was typed, at one place, in one encoding, in every sample.

    S S  0 0 v v  u  f  k k        S   bytes that never change: start mark, or fixed
         │   │    │  │  └ check     0   zeros never seen to be anything else: fixed, and as rivals part of the number
         │   │    │  └ changes, unexplained
         └ zeros  └ changes with the unit typed

Of one place there are rivals (signed, unsigned, a sign bit): where they read some frame otherwise, nothing is decided
before a negative value came, or somebody said that the gauge shows none.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from gaugepost.contract.teaching import Ask, Draft, Drafts, Evidence
from gaugepost_adapters.decoders.binary.checks import BIG, Check, Order
from gaugepost_adapters.decoders.proposing.frames import (
    Frames,
    Rest,
    apart,
    fixed,
    frames,
    loose_draft,
    measured,
    rest,
    runs,
)

_ORDERS: tuple[Order, ...] = ("high-first", "low-first")
_CRCS: tuple[dict[str, Any], ...] = (
    {"width": 32, "polynomial": 0x04C11DB7, "initial": 0xFFFFFFFF, "reflect_in": True, "reflect_out": True,
     "xor_out": 0xFFFFFFFF},
    {"width": 16, "polynomial": 0x8005, "reflect_in": True, "reflect_out": True},
    {"width": 16, "polynomial": 0x8005, "initial": 0xFFFF, "reflect_in": True, "reflect_out": True},
    {"width": 16, "polynomial": 0x1021},
    {"width": 16, "polynomial": 0x1021, "initial": 0xFFFF},
    {"width": 16, "polynomial": 0x1021, "reflect_in": True, "reflect_out": True},
    {"width": 8, "polynomial": 0x07},
    {"width": 8, "polynomial": 0x31, "reflect_in": True, "reflect_out": True},
)  # fmt: skip
_SUMS: tuple[dict[str, Any], ...] = tuple(
    {"kind": kind, "width": width} for width in (16, 8) for kind in ("sum", "negative-sum", "xor")
)
_Number = dict[str, Any]


def propose(evidence: Evidence) -> Drafts:
    """Return layouts under which the last frame of each sample holds the value typed."""
    drafts, tried = list[Draft](), 1
    for one in frames(evidence):
        if len({typed.decimals for typed in one.typed}) > 1:
            continue
        check, size, end, checks = _check(one)
        body = one.length - size - end
        tried += checks + body * 8 * 2 * 12
        for number in _numbers(one, body):
            if draft := _draft(one, number, check, size, end):
                drafts.append(draft)
    return Drafts(tuple(drafts), tried)


def _check(one: Frames) -> tuple[dict[str, Any] | None, int, int, int]:
    """The check that all frames end with, its bytes, those of the terminator behind it, and how many were tried."""
    distinct, tried, shortest = set(one.whole), 0, one.length
    for end in range(3):
        if end and len({frame[-end:] for frame in one.whole}) > 1:
            break
        for said in [{"kind": "crc", **crc} for crc in _CRCS] + list(_SUMS):
            size = said["width"] // 8
            if len(distinct) < (4 if size == 1 else 3) or size + end + 1 >= shortest:
                continue
            bodies = [frame[: len(frame) - end - size] for frame in one.whole]
            sent = [frame[len(body) :][:size] for frame, body in zip(one.whole, bodies, strict=True)]
            if len(set(sent)) < 2:
                continue
            for begins in range(1, min(5, shortest - end - size)):
                for order in _ORDERS if size > 1 else _ORDERS[:1]:
                    tried += 1
                    check = {**said, "begins": begins, "order": order}
                    right = Check(**check).function()
                    pairs = zip(bodies, sent, strict=True)
                    if all(right(body[begins - 1 :]) == told for body, told in pairs):
                        return check, size, end, tried
    return None, 0, 0, tried


def _numbers(one: Frames, body: int) -> Iterator[_Number]:
    """Yield encodings that give the values typed, the narrowest first; `at` are their places."""
    sign_bits = list(_sign_bits(one, body))
    for width in range(1, min(8, body) + 1):
        for first in range(body - width + 1):
            for order in _ORDERS if width > 1 else _ORDERS[:1]:
                data = [frame[first : first + width] for frame in one.frames]
                at = list(range(first, first + width))
                base = {"at": at, "order": order}
                yield from (base | kind for kind in _integers(one, data, order, at, sign_bits))
                yield from (base | kind for kind in _decimal_digits(one, data, order, at, body))
                if width in (4, 8) and (kind := _float(one, data, order)):
                    yield base | kind


def _integers(
    one: Frames, data: list[bytes], order: Order, at: list[int], sign_bits: list[tuple[int, int]]
) -> Iterator[_Number]:
    wanted = [int(typed.whole or "0") * (-1 if typed.negative else 1) for typed in one.typed]
    step = one.typed[0].decimals
    signed = [int.from_bytes(each, BIG[order], signed=True) for each in data]
    unsigned = [int.from_bytes(each, BIG[order]) for each in data]
    sizes = [abs(value) for value in wanted]
    masks = _masks(order, at, sign_bits) if min(wanted) < 0 else []
    within = [each for each in masks if each[2]]
    for times in (1, 2, 5):
        multiplier = f"{times * 10.0**-step:.{step}f}"
        here = {"multiplier": multiplier}
        if [times * raw for raw in unsigned] == wanted:
            yield here | {"number": "unsigned"}
            if Ask.NEGATIVE not in one.never:
                top = at[0] if order == "high-first" else at[-1]
                if all(raw >> (8 * len(at) - 1) == 0 for raw in unsigned):
                    yield here | {"number": "unsigned", "sign_bit": (top, 7)}
        if [times * raw for raw in signed] == wanted and (Ask.NEGATIVE not in one.never or min(wanted) < 0):
            yield here | {"number": "signed"}
        beside = [times * raw for raw in unsigned] == sizes
        for place, bit, mask in masks if beside else within:
            # Most are told by their first number.
            first = times * (unsigned[0] & ~mask) == sizes[0]
            if first and [times * (raw & ~mask) for raw in unsigned] == sizes:
                yield here | {"number": "unsigned", "sign_bit": (place, bit)}


def _masks(order: Order, at: list[int], sign_bits: list[tuple[int, int]]) -> list[tuple[int, int, int]]:
    """Return each sign bit with what it is of the number that stands at these places; 0 where it stands elsewhere."""
    ends = at[-1] if order == "high-first" else at[0]
    return [
        (place, bit, 1 << 8 * abs(place - ends) + bit if at[0] <= place <= at[-1] else 0)
        for place, bit in sign_bits
    ]


def _sign_bits(one: Frames, body: int) -> Iterator[tuple[int, int]]:
    signs = one.signs
    if not {True, False} <= set(signs):
        return
    for place in range(body):
        for bit in range(8):
            pairs = zip(one.frames, signs, strict=True)
            if all(sign is None or bool(frame[place] >> bit & 1) == sign for frame, sign in pairs):
                yield place, bit


def _decimal_digits(
    one: Frames, data: list[bytes], order: Order, at: list[int], body: int
) -> Iterator[_Number]:
    ordered = [(each if order == "high-first" else each[::-1]).hex() for each in data]
    wanted = [int(typed.whole or "0") for typed in one.typed]
    step = one.typed[0].decimals
    here = {"number": "bcd", "multiplier": f"{10.0**-step:.{step}f}"}
    negative = any(one.signs)
    for sign_nibble in (None, "first", "last"):
        digits = {None: ordered, "first": [x[1:] for x in ordered], "last": [x[:-1] for x in ordered]}[
            sign_nibble
        ]
        if not all(x.isdecimal() for x in digits) or list(map(int, digits)) != wanted:
            continue
        if all(x[0] == "0" for x in digits):
            continue  # half a byte that never was anything else may be a unit, and can't be refused apart
        if sign_nibble is None:
            if not negative:
                yield here
                continue
            yield from (here | {"sign_bit": where} for where in _sign_bits(one, body) if where[0] not in at)
            continue
        nibbles = [x[0 if sign_nibble == "first" else -1].upper() for x in ordered]
        if negative and (spelled := apart(nibbles, _spelled_signs(one))):
            yield here | {"sign_nibble": sign_nibble, "signs": spelled}
        elif not negative and len(set(nibbles)) == 1:
            yield here | {"sign_nibble": sign_nibble, "signs": {nibbles[0]: "+"}}


def _spelled_signs(one: Frames) -> list[str | None]:
    return [None if sign is None else "-" if sign else "+" for sign in one.signs]


def _float(one: Frames, data: list[bytes], order: Order) -> _Number | None:
    code = (">" if order == "high-first" else "<") + ("f" if len(data[0]) == 4 else "d")
    values = [struct.unpack(code, each)[0] for each in data]
    step = one.typed[0].decimals
    for multiplier in ("1", "1000", "0.001"):
        pairs = zip(values, one.typed, strict=True)
        half = 0.500001 * 10.0**-step
        if all(
            math.isfinite(f) and abs(f * float(multiplier) - float(typed.value)) <= half for f, typed in pairs
        ):
            return {"number": "float", "multiplier": multiplier, "resolution": f"{10.0**-step:.{step}f}"}
    return None


def _draft(one: Frames, number: _Number, check: dict[str, Any] | None, size: int, end: int) -> Draft | None:
    body = one.length - size - end
    at: list[int] = number["at"]
    settings: dict[str, Any] = {key: value for key, value in number.items() if key not in ("at", "sign_bit")}
    place, bit = number.get("sign_bit", (None, 0))
    said = one.length_at[0] if one.length_at else None
    if said is not None and (said in at or said == place):
        return None
    others = {each: [frame[each] for frame in one.frames] for each in range(body) if each not in (*at, said)}
    found = rest(others, one.typed, place)
    if found is None:
        return None
    row = [f"{byte:02X}" for byte in one.frames[0]]
    head = _framing(one, row, found.still, end + size)
    if head is None:
        return None
    if place is not None:
        settings["sign_bit"] = {"place": place + 1, "bit": bit}
    if end:
        settings["terminator"] = one.whole[0][-end:].hex(" ").upper()
    more, fields = _fields(one, at, found)
    if still := [each for each in found.still if each >= len(head.get("start", "").split())]:
        fields["fixed"] = fixed(row, still)
    settings = head | settings | more | measured(one.typed, found.unit is not None) | {"fields": fields}
    bare: dict[str, Any] | None = None
    if check:
        # It is proof of a frame, too: without it few bytes are left to prove one, but for a packet's edges.
        bare = {key: value for key, value in settings.items() if key not in (*head, "terminator")}
        places = fields | {"ignored": runs([*found.loose, *range(body, one.length)])}
        if found.still:
            places["fixed"] = fixed(row, found.still)
        bare |= {"framing": "packet", "fields": places}
        settings["check"] = check
    draft = loose_draft(settings, bare, found, place)
    if not one.length_at:
        return draft
    clears = "frames differ in length, and nothing typed explains what the longer ones hold"
    return replace(draft, asks=frozenset({Ask.NEGATIVE, Ask.UNIT}), clears=draft.clears or clears)


def _fields(one: Frames, at: list[int], found: Rest) -> tuple[dict[str, Any], dict[str, Any]]:
    """Settings that go with fields, and the fields, but for those that never change."""
    settings, fields = dict[str, Any](), dict[str, Any](value=runs(at))
    if found.unit is not None:
        fields["unit"] = found.unit + 1
        settings["units"] = {f"{key:02X}": unit for key, unit in found.units.items()}
    if found.told:
        fields["status"] = ",".join(str(each + 1) for each in found.told)
        settings["statuses"] = {bytes(each).hex().upper(): {"value_holds": True} for each in found.statuses}
    if one.length_at:
        fields["length"] = one.length_at[0] + 1
        settings |= {"length_adds": one.length_at[1], "longest": max(map(len, one.whole))}
    if found.loose:
        fields["ignored"] = runs(found.loose)
    return settings, fields


def _framing(one: Frames, row: list[str], still: list[int], behind: int) -> dict[str, Any] | None:
    """Framing and start mark; `behind` bytes prove a frame besides those that never change."""
    start = 0
    while start in still and start < 8:
        start += 1
    if one.framing == "packet":
        return {"framing": "packet"}
    if start and len(still) + behind >= 3:
        return {"framing": "length", "start": " ".join(row[:start])}
    return {"framing": "silence", "silence": 0.5} if one.framing == "silence" else None
