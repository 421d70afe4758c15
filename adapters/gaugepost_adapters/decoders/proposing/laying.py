"""Lays lines of text side by side, the digits typed in one column, and makes a pattern of what stands around them.

    head        s  0 0 d d . d d d  tail            literal where it is always the same
    │           │  │   └ digits typed               {sign}, {unit} where it changes with what was typed
    │           │  └ zeros that never were anything else: text, until a longer number shows them to be digits
    │           └ sign, of which only spellings that came are known

Of what changes for no reason that was typed, few faces are a status, of which only those that came are known; digits
that are never twice the same are a counter, digits that count the line's characters its length. Sign and unit have to
be shown elsewhere before that is believed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from gaugepost.contract import ValueRefused, parse_unit
from gaugepost.contract.teaching import Ask, Typed

_TOKEN = re.compile(r"[0-9]+|[A-Za-z\xb5]+|.", re.DOTALL)
Laid = tuple[dict[str, Any], frozenset[Ask], str]
"""Settings without the frame's edges, what they ask for, and why."""
_Number = tuple[list[str], str, list[str], dict[str, Any]]
"""What stands before the number, the holes for it, what stands behind it, and settings."""


@dataclass(frozen=True, slots=True)
class Found:
    """Digits of a line that are those typed."""

    line: str
    begins: int
    """Where the first digit that counts stands."""
    ends: int
    mark: str
    """The decimal sign; empty where there is none."""

    @property
    def head(self) -> str:
        """What stands before them."""
        return self.line[: self.begins]

    @property
    def tail(self) -> str:
        """What stands behind them."""
        return self.line[self.ends :]


def laid(found: Sequence[Found], typed: Sequence[Typed]) -> Iterator[Laid]:
    """Yield patterns for lines that hold the digits typed."""
    settings: dict[str, Any] = {}
    marks = {one.mark for one in found if one.mark}
    if marks == {","}:
        settings["decimal_sign"] = ","
    elif not marks and any(one.decimals for one in typed):
        if len({one.decimals for one in typed}) > 1:
            return
        settings["implied_decimals"] = typed[0].decimals
    for heads, middle, tails, more in _numbers(found, typed):
        lines = [one.line for one in found]
        holes = _Holes(typed, lines, signed="signs" in more or "{sign" in middle or bool(more.get("pad")))
        head, tail = holes.joined(heads), holes.joined(tails)
        if head is not None and tail is not None and holes.explained:
            yield settings | more | {"pattern": head + middle + tail} | holes.settings(), *holes.asks
    yield from ((settings | row, asks, clears) for row, asks, clears in _rows(found, typed))


def _numbers(found: Sequence[Found], typed: Sequence[Typed]) -> Iterator[_Number]:
    """Yield the ways in which digits of different number fill their columns."""
    tails = [one.tail for one in found]
    width = max(one.ends - one.begins for one in found)
    if all(one.ends >= width and not one.line[one.ends - width : one.begins].strip("0") for one in found):
        heads = [one.line[: one.ends - width] for one in found]
        yield from _signed(heads, f"{{value:{width}}}", tails, typed)
        if len({one.ends - one.begins for one in found}) == 1:
            return
    if len({one.ends for one in found}) == 1:
        yield from _padded(found, typed)
    yield from _signed([one.head for one in found], "{value}", tails, typed)
    last = max(one.ends for one in found)
    if len({one.begins for one in found}) == 1 and not any(
        one.line[one.ends : last].strip(" ") for one in found
    ):
        heads, hole = [one.head for one in found], f"{{value:{last - found[0].begins}}}"
        for head, middle, tail, more in _signed(heads, hole, [one.line[last:] for one in found], typed):
            yield head, middle, tail, more | {"pad": True}


def _padded(found: Sequence[Found], typed: Sequence[Typed]) -> Iterator[_Number]:
    """Blanks before the number: the sign behind them, at the digits, or before them, in a column of its own.

    Columns that were always blank are text, as zeros are.
    """
    first, ends = min(one.begins for one in found), found[0].ends
    tails = [one.tail for one in found]
    fills = [one.line[first : one.begins] for one in found]
    minus = [one.head.rstrip(" ")[-1:] == "-" for one in found]
    if any(fill.strip(" +-") for fill in fills) or minus != [one.negative for one in typed]:
        return
    blanks = 0
    while all(one.line[first - blanks - 1 : first - blanks] == " " for one in found):
        blanks += 1
    apart = first - blanks - 1
    column = [one.line[apart : apart + 1] if apart >= 0 else "" for one in found]
    if not any(fill.strip(" ") for fill in fills) and set(column) <= {"+", "-", " "} and any(minus):
        signs: dict[str, str] = {each: "-" if each == "-" else "+" for each in sorted(set(column))}
        heads, middle = [one.line[:apart] for one in found], f"{{sign}}{' ' * blanks}{{value:{ends - first}}}"
        yield heads, middle, tails, {"pad": True, "signs": signs}
    column = [one.line[first - 1 : first] if first else "" for one in found]
    if first and any(each in ("+", "-") for each in column):
        first -= 1
    if any(one.line[first : one.begins].strip(" +-") for one in found):
        return
    heads = [one.line[:first] for one in found]
    if any(minus):
        yield heads, f"{{value:{ends - first}}}", tails, {"pad": True}
    else:
        yield heads, f"{{sign?}}{{value:{ends - first}}}", tails, {"pad": True, "signs": {"+": "+"}}


def _signed(heads: list[str], hole: str, tails: list[str], typed: Sequence[Typed]) -> Iterator[_Number]:
    """Take the sign off the heads where it stands before digits, or before the zeros that are text."""
    zeros = min(len(head) - len(head.rstrip("0")) for head in heads)
    fill = "0" * zeros
    bare = [head[: len(head) - zeros] for head in heads]
    signs = [head[-1:] if head[-1:] in ("+", "-") else "" for head in bare]
    minus = [sign == "-" for sign in signs]
    if not any(signs):
        if any(one.negative for one in typed):
            yield heads, hole, tails, {}  # the sign must be elsewhere
        else:
            yield heads, "{sign?}" + hole, tails, {"signs": {"+": "+"}}
        return
    if any(is_minus != one.negative and one.whole for is_minus, one in zip(minus, typed, strict=True)):
        return
    bare = [head.removesuffix(sign) if sign else head for head, sign in zip(bare, signs, strict=True)]
    seen = {sign: sign for sign in sorted(set(signs)) if sign}
    if all(signs):
        yield bare, "{sign}" + fill + hole, tails, {"signs": seen}
        return
    if all(sign or head.endswith(" ") for sign, head in zip(signs, bare, strict=True)) and "+" not in seen:
        padded = [head if sign else head.removesuffix(" ") for sign, head in zip(signs, bare, strict=True)]
        yield padded, "{sign}" + fill + hole, tails, {"signs": {" ": "+", **seen}}
    yield bare, "{sign?}" + fill + hole, tails, {"signs": seen}


def _rows(found: Sequence[Found], typed: Sequence[Typed]) -> Iterator[Laid]:
    """Rows of number and unit, between blanks of which there are now more and now fewer."""
    rows = [one.line.split(" ") for one in found]
    words = [[word for word in row if word] for row in rows]
    if len({tuple(map(bool, row)) for row in rows}) == 1 or {len(row) for row in words} != {2}:
        return
    numbers = [
        f"{'-' * one.negative}{each.line[each.begins : each.ends]}"
        for each, one in zip(found, typed, strict=True)
    ]
    for value in (0, 1):
        spelled = [row[1 - value] for row in words]
        holes = _Holes(typed, spelled, signed=True)
        if [row[value].removeprefix("+") for row in words] == numbers and holes.joined(spelled) == "{unit}":
            fields = {"separator": " ", "count": 2, "value": value + 1, "unit": 2 - value}
            clears = "no negative value was measured: what would be its sign is not known"
            yield {"fields": fields} | holes.settings(), frozenset({Ask.NEGATIVE}), clears


class _Holes:
    """Lays texts side by side; what changes has to change with the sign or the unit that was typed."""

    def __init__(self, typed: Sequence[Typed], lines: Sequence[str], *, signed: bool) -> None:
        self._typed, self._lines, self._signed = typed, lines, signed
        self._units = [one.unit or one.scale for one in typed]
        self._signs: dict[str, str] = {}
        self._spelled: dict[str, str] = {}
        self._statuses: tuple[str, ...] = ()
        self._skips = False

    @property
    def explained(self) -> bool:
        """Whether sign and unit are told apart by something, where they changed."""
        negative = any(one.negative and one.whole for one in self._typed)
        several = len(set(self._units) - {None}) > 1
        return (self._signed or bool(self._signs) or not negative) and (bool(self._spelled) or not several)

    @property
    def asks(self) -> tuple[frozenset[Ask], str]:
        """What has to be shown elsewhere, and why."""
        if self._statuses:
            faces = " and ".join(map(repr, self._statuses))
            clears = f"{faces} change places and nothing typed explains it: they might be sign or unit"
            return frozenset({Ask.NEGATIVE, Ask.UNIT}), clears
        if self._skips:
            return frozenset(
                {Ask.NEGATIVE}
            ), "digits beside the number change and nothing typed explains them"
        return frozenset(), ""

    def settings(self) -> dict[str, Any]:
        """Return what was found of signs, units and status."""
        found: dict[str, Any] = {"signs": self._signs} if self._signs else {}
        if self._statuses:
            found["statuses"] = {text: {"value_holds": True} for text in self._statuses}
        scales = {one.scale for one in self._typed} - {None}
        if scales:
            found["quantity"] = "temperature"
        known = set(self._units) - {None}
        if self._spelled:
            found["units"] = self._spelled
        elif len(known) == 1:
            found["scale" if scales else "unit"] = str(known.pop())
        return found

    def joined(self, texts: Sequence[str]) -> str | None:
        """Return the template of texts of the same make, None where they are not."""
        rows = [_TOKEN.findall(text) for text in texts]
        if len({len(row) for row in rows}) > 1:
            return None
        joined = ""
        for column in zip(*rows, strict=True):
            part = self._part(column) or self._halved(column)
            if part is None:
                return None
            joined += part
        return joined

    def _halved(self, column: Sequence[str]) -> str | None:
        """Return the template of words that are two without anything between them, as "mmN" and "inL"."""
        shortest = min(map(len, column))
        if not all(text.isalpha() for text in column):
            return None
        before = self._spelled, self._signs, self._statuses
        for size in range(1, shortest):
            first, second = [text[:-size] for text in column], [text[-size:] for text in column]
            if (one := self._part(first)) and (other := self._part(second)):
                return one + other
            self._spelled, self._signs, self._statuses = before
        return None

    def _part(self, column: Sequence[str]) -> str | None:
        if len(set(column)) == 1:
            unit = self._constant_unit(column[0])
            return "{unit}" if unit else column[0].replace("{", "{{").replace("}", "}}")
        if all(text.isdecimal() for text in column) and self._counts(column):
            return self._skip(column)
        if spelled := _apart(column, self._units):
            if self._spelled:
                return None
            self._spelled = spelled
            return "{unit}"
        signs = [("-" if one.negative else "+") if one.whole else None for one in self._typed]
        if not self._signed and (spelled := _apart(column, signs)):
            plain = set(spelled) <= {"+", "-", " "}
            if self._signs or not (plain or min(signs.count("+"), signs.count("-")) >= 2):
                return None
            self._signs = spelled
            return "{sign}"
        if len(set(column)) == len(column) >= 3 and all(text.isdecimal() for text in column):
            self._skips = True
            return self._skip(column)
        if 2 * len(set(column)) <= len(column) + 1 and not self._statuses and not _apart(column, signs):
            self._statuses = tuple(sorted(set(column)))
            return "{status}"
        return None

    def _counts(self, column: Sequence[str]) -> bool:
        """Tell whether digits count the characters of their lines, which differ."""
        over = {int(text) - len(line) for text, line in zip(column, self._lines, strict=True)}
        return len(over) == 1 and len({len(line) for line in self._lines}) > 1

    @staticmethod
    def _skip(column: Sequence[str]) -> str:
        widths = {len(text) for text in column}
        return f"{{skip:{widths.pop()}}}" if len(widths) == 1 else "{skip}"

    def _constant_unit(self, text: str) -> bool:
        try:
            same = {str(parse_unit(text))} == {str(unit) for unit in set(self._units) - {None}}
        except ValueRefused:
            return False
        if same and not self._spelled:
            self._spelled = {text: str(parse_unit(text))}
            return True
        return False


def _apart(column: Sequence[str], meanings: Sequence[str | None]) -> dict[str, str]:
    """What each text of a column means, where each stands for one meaning and there are several; else nothing."""
    spelled: dict[str, str] = {}
    for text, meaning in zip(column, meanings, strict=True):
        if meaning is not None and spelled.setdefault(text, str(meaning)) != str(meaning):
            return {}
    each = set(spelled.values())
    return spelled if len(each) > 1 and len(spelled) == len(each) and set(column) <= set(spelled) else {}
