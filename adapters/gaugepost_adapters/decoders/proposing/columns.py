"""Proposes fields at fixed places: digits a nibble each, forwards or backwards, or characters without a terminator.

Digits that were always zero before those typed are fixed, not read: one of them may be a sign, a unit or a status that
has not shown anything else yet.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from gaugepost.contract.teaching import Draft, Drafts, Evidence
from gaugepost_adapters.decoders.proposing.frames import (
    Frames,
    apart,
    fixed,
    frames,
    loose_draft,
    measured,
    rest,
    runs,
)

_NIBBLES = ("nibbles-high-first", "nibbles-low-first")


def propose(evidence: Evidence) -> Drafts:
    """Return layouts under which the last frame of each sample holds the digits typed."""
    drafts, tried = list[Draft](), 1
    for one in frames(evidence):
        if one.length_at:
            continue
        lines = {frame[-1:] for frame in one.frames} <= {b"\r", b"\n", b"\x03"}
        for cells in _NIBBLES if lines else (*_NIBBLES, "characters"):
            rows = [_row(frame, cells) for frame in one.frames]
            tried += 4 * len(rows[0])
            for digits, where in _digits(one, rows, cells):
                drafts += _drafts(one, cells, rows, digits, where)
    return Drafts(tuple(drafts), tried)


def _row(frame: bytes, cells: str) -> str:
    if cells == "characters":
        return frame.decode("latin-1")
    text = frame.hex().upper()
    if cells == "nibbles-high-first":
        return text
    return "".join(text[at : at + 2][::-1] for at in range(0, len(text), 2))


def _digits(one: Frames, rows: list[str], cells: str) -> Iterator[tuple[list[int], str]]:
    """Yield the places of the digits that count, in the order in which they are read, and the decimal sign."""
    length = len(rows[0])
    for mark in ("",) if cells != "characters" else ("", ".", ","):
        wanted = [typed.digits.replace(".", mark) if mark else typed.whole for typed in one.typed]
        if mark and not all("." in typed.digits for typed in one.typed):
            continue
        width = max(map(len, wanted))
        padded = [text.rjust(width, "0") for text in wanted]
        if not width:
            continue
        for first in range(length - width + 1):
            at = list(range(first, first + width))
            for places in (at, at[::-1]) if cells != "characters" and width > 1 else (at,):
                if all(
                    "".join(row[p] for p in places) == text for row, text in zip(rows, padded, strict=True)
                ):
                    yield places, mark


def _drafts(one: Frames, cells: str, rows: list[str], digits: list[int], mark: str) -> Iterator[Draft]:
    others = [place for place in range(len(rows[0])) if place not in digits]
    columns = {place: [row[place] for row in rows] for place in others}
    decimals = {typed.decimals for typed in one.typed}
    points: list[int | None] = [None]
    if len(decimals) > 1 and not mark:
        told = [typed.decimals for typed in one.typed]
        points = [place for place, column in columns.items() if column == [str(count) for count in told]]
    signs = [None if sign is None else "-" if sign else "+" for sign in one.signs]
    signed: list[tuple[int, dict[str, str]] | None] = [None]
    if any(one.signs):
        pairs = ((place, apart(column, signs)) for place, column in columns.items())
        signed = [(place, spelled) for place, spelled in pairs if spelled]
    for point in points:
        for sign in signed:
            same = point is not None and sign is not None and sign[0] == point
            if not same and (draft := _draft(one, cells, rows, digits, mark, point, sign)):
                yield draft


def _draft(
    one: Frames,
    cells: str,
    rows: list[str],
    digits: list[int],
    mark: str,
    point: int | None,
    sign: tuple[int, dict[str, str]] | None,
) -> Draft | None:
    backwards = len(digits) > 1 and digits[0] > digits[-1]
    where = f"{digits[0] + 1}-{digits[-1] + 1}" if backwards else runs(digits)
    fields: dict[str, Any] = {"digits": where}
    settings: dict[str, Any] = {"cells": cells}
    if point is not None:
        fields["point"] = point + 1
        settings["points"] = {str(count): count for count in sorted({typed.decimals for typed in one.typed})}
    elif not mark:
        settings["implied_decimals"] = one.typed[0].decimals
    elif mark == ",":
        settings["decimal_sign"] = ","
    if sign:
        fields["sign"] = sign[0] + 1
        settings["signs"] = sign[1]
    taken = {*digits, point, sign[0] if sign else None}
    others = {place: [row[place] for row in rows] for place in range(len(rows[0])) if place not in taken}
    found = rest(others, one.typed)
    head = _framing(one, cells, rows, found.still) if found else None
    if found is None or head is None:
        return None
    if found.unit is not None:
        fields["unit"] = found.unit + 1
        settings["units"] = found.units
    if still := [place for place in found.still if place >= len(head.get("start", ""))]:
        fields["fixed"] = fixed(rows[0], still)
    if found.told:
        fields["status"] = ",".join(str(place + 1) for place in found.told)
        settings["statuses"] = {"".join(each): {"value_holds": True} for each in found.statuses}
    if found.loose:
        fields["ignored"] = runs(found.loose)
    settings = head | settings | measured(one.typed, found.unit is not None) | {"fields": fields}
    return loose_draft(settings, None, found)


def _framing(one: Frames, cells: str, rows: list[str], still: list[int]) -> dict[str, Any] | None:
    start = 0
    while start in still and start < 8:
        start += 1
    if cells != "characters":
        start -= start % 2
    if one.framing == "packet":
        return {"framing": "packet"}
    if one.framing == "silence" and (not start or (cells != "characters" and len(still) < 4)):
        return {"framing": "silence", "silence": 0.5}
    return {"framing": "length", "start": rows[0][:start]} if start else None
