"""Proposes patterns for text: finds the digits that were typed, and lays the frames around them side by side.

    head        s  0 0 d d . d d d  tail            literal where it is always the same
    │           │  │   └ digits typed               {sign}, {unit} where it changes with what was typed
    │           │  └ zeros that never were anything else: text, until a longer number shows them to be digits
    │           └ sign, of which only spellings that came are known

What changes for no reason that was typed makes no pattern, but for counters: digits that are never twice the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from gaugepost.contract import ValueRefused, parse_unit
from gaugepost.contract.teaching import Ask, Draft, Drafts, Evidence, Sample, Typed

_RUN = re.compile(r"[0-9]+")
_TOKEN = re.compile(r"[0-9]+|[A-Za-z\xb5]+|.", re.DOTALL)
_ENDS = ("\r\n", "\n", "\r", "\x03")
_MOST_LINES = 200
_MOST_FIRST = 8


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


def propose(evidence: Evidence) -> Drafts:
    """Return patterns under which each sample has a frame with the digits typed."""
    drafts, tried = dict[str, Draft](), 1
    for end in _terminators(evidence):
        for start in ("\x02", ""):
            found = [_found(sample, end, start) for sample in evidence.samples]
            tried += sum(runs for _, runs in found)
            for first in found[0][0][:_MOST_FIRST]:
                chosen = [first]
                for more, _ in found[1:]:
                    alike = [one for one in more if bool(one.mark) == bool(first.mark)]
                    if not alike:
                        break
                    chosen.append(max(alike, key=lambda one: _likeness(first, one)))
                if len(chosen) == len(evidence.samples) and (laid := _pattern(chosen, evidence)):
                    settings, asks = laid
                    settings = {"terminator": end} | ({"start": start} if start else {}) | settings
                    clears = "digits beside the number change and nothing typed explains them" if asks else ""
                    drafts.setdefault(repr(settings), Draft(settings, None, asks, clears))
    return Drafts(tuple(drafts.values()), tried)


def _terminators(evidence: Evidence) -> list[str]:
    if all(chunk.complete for sample in evidence.samples for chunk in sample.chunks):
        return ["\r\n"]
    texts = [_text(sample) for sample in evidence.samples]
    last = {text[-1] for text in texts if text}
    own = [char for char in last if len(last) == 1 and not char.isalnum() and char not in "+-., "]
    ends = [end for end in dict.fromkeys([*_ENDS, *own]) if all(end in text for text in texts)]
    return [end for end in ends if end not in ("\r", "\n") or "\r\n" not in ends]


def _text(sample: Sample) -> str:
    return b"".join(chunk.data for chunk in sample.chunks).decode("latin-1")


def _lines(sample: Sample, end: str, start: str) -> Iterator[str]:
    channels: dict[str, list[str]] = {}
    whole: list[str] = []
    for chunk in sample.chunks:
        text = chunk.data.decode("latin-1")
        if chunk.complete:
            whole.append(text.removesuffix(end))
        else:
            channels.setdefault(chunk.channel, []).append(text)
    for parts in channels.values():
        whole += "".join(parts).split(end)[:-1]
    for line in dict.fromkeys(reversed(whole)):
        if not start:
            yield line
        elif start in line:
            yield line[line.rindex(start) + len(start) :]


def _found(sample: Sample, end: str, start: str) -> tuple[list[Found], int]:
    found, runs, forms = list[Found](), 0, _forms(sample.typed)
    for _, line in zip(range(_MOST_LINES), _lines(sample, end, start), strict=False):
        runs += len(forms) * len(_RUN.findall(line[:300]))
        for form, mark in forms:
            for at in form.finditer(line[:300]):
                one = Found(line, at.start(1), at.end(1), mark)
                minus = one.head.rstrip("0").rstrip(" ").endswith("-")
                if sample.typed.negative or not minus or not sample.typed.whole:
                    found.append(one)
    return found, runs


def _forms(typed: Typed) -> list[tuple[re.Pattern[str], str]]:
    """How the digits typed may stand in a frame, and with which decimal sign."""
    if not typed.decimals:
        return [(re.compile(rf"(?<![.,])({typed.digits})(?![0-9]|[.,][0-9])"), "")]
    whole, _, part = typed.digits.partition(".")
    forms = [(re.compile(rf"({whole}{re.escape(mark)}{part})(?![0-9])"), mark) for mark in ".,"]
    if whole == "0":
        forms += [(re.compile(rf"(?<![0-9])({re.escape(mark)}{part})(?![0-9])"), mark) for mark in ".,"]
    implied = typed.whole or "(?<=0)"
    return [*forms, (re.compile(rf"(?<![.,])({implied})(?![0-9]|[.,][0-9])"), "")]


def _likeness(one: Found, other: Found) -> int:
    heads = zip(one.head, other.head, strict=False)
    tails = zip(reversed(one.tail), reversed(other.tail), strict=False)
    return sum(a == b for a, b in [*heads, *tails]) - 2 * abs(len(one.tail) - len(other.tail))


def _pattern(found: Sequence[Found], evidence: Evidence) -> tuple[dict[str, Any], frozenset[Ask]] | None:
    typed = [sample.typed for sample in evidence.samples]
    if len({one.mark for one in found}) > 1:
        return None
    settings: dict[str, Any] = {}
    if found[0].mark == ",":
        settings["decimal_sign"] = ","
    elif not found[0].mark and any(one.decimals for one in typed):
        if len({one.decimals for one in typed}) > 1:
            return None
        settings["implied_decimals"] = typed[0].decimals
    number = _number(found, typed)
    if number is None:
        return None
    heads, middle, more = number
    settings |= more
    holes = _Holes(typed, "signs" in more or "{sign" in middle or bool(more.get("pad")))
    head, tail = holes.joined(heads), holes.joined([one.tail for one in found])
    if head is None or tail is None or not holes.explained:
        return None
    settings["pattern"] = head + middle + tail
    return settings | holes.settings(), frozenset({Ask.NEGATIVE}) if holes.skips else frozenset()


def _number(found: Sequence[Found], typed: Sequence[Typed]) -> tuple[list[str], str, dict[str, Any]] | None:
    """Heads without what belongs to the number, the hole for it, and settings."""
    if len({one.ends for one in found}) == 1 and len({one.begins for one in found}) > 1:
        first = min(one.begins for one in found)
        fills = [one.line[first : one.begins] for one in found]
        if all(not fill.strip("0") for fill in fills):
            heads = [one.line[:first] for one in found]
            return _signed(heads, f"{{value:{found[0].ends - first}}}", typed)
        signs = [one.line[: one.begins].rstrip(" ")[-1:] for one in found]
        minus = [sign == "-" for sign in signs]
        if any(fill.strip(" +-") for fill in fills) or minus != [one.negative for one in typed]:
            return None
        if first and any(one.line[first - 1] in "+-" for one in found):
            first -= 1
        if any(one.line[first : one.begins].strip(" +-") for one in found):
            return None
        heads, width = [one.line[:first] for one in found], found[0].ends - first
        if any(minus):
            return heads, f"{{value:{width}}}", {"pad": True}
        return heads, f"{{sign?}}{{value:{width}}}", {"pad": True, "signs": {"+": "+"}}
    widths = {one.ends - one.begins for one in found}
    hole = f"{{value:{widths.pop()}}}" if len(widths) == 1 else "{value}"
    return _signed([one.head for one in found], hole, typed)


def _signed(
    heads: list[str], hole: str, typed: Sequence[Typed]
) -> tuple[list[str], str, dict[str, Any]] | None:
    """Take the sign off the heads where it stands before digits, or before the zeros that are text."""
    zeros = min(len(head) - len(head.rstrip("0")) for head in heads)
    fill = "0" * zeros
    bare = [head[: len(head) - zeros] for head in heads]
    signs = [head[-1:] if head[-1:] in ("+", "-") else "" for head in bare]
    minus = [sign == "-" for sign in signs]
    if not any(signs):
        if any(one.negative for one in typed):
            return heads, hole, {}  # the sign must be elsewhere
        return heads, "{sign?}" + hole, {"signs": {"+": "+"}}
    if any(is_minus != one.negative and one.whole for is_minus, one in zip(minus, typed, strict=True)):
        return None
    bare = [head.removesuffix(sign) if sign else head for head, sign in zip(bare, signs, strict=True)]
    seen = {sign: sign for sign in sorted(set(signs)) if sign}
    if all(signs):
        return bare, "{sign}" + fill + hole, {"signs": seen}
    if any(sign == "" and head.endswith(" ") for sign, head in zip(signs, bare, strict=True)):
        padded = [head if sign else head.removesuffix(" ") for sign, head in zip(signs, bare, strict=True)]
        if len(set(padded)) == 1 and "+" not in seen:
            return padded, "{sign}" + fill + hole, {"signs": {" ": "+", **seen}}
    return bare, "{sign?}" + fill + hole, {"signs": seen}


class _Holes:
    """Lays texts side by side; what changes has to change with the sign or the unit that was typed."""

    def __init__(self, typed: Sequence[Typed], signed: bool) -> None:
        self._typed, self._signed = typed, signed
        self._units = [one.unit or one.scale for one in typed]
        self._signs: dict[str, str] = {}
        self._spelled: dict[str, str] = {}
        self.skips = False

    @property
    def explained(self) -> bool:
        """Whether sign and unit are told apart by something, where they changed."""
        negative = any(one.negative and one.whole for one in self._typed)
        several = len(set(self._units) - {None}) > 1
        return (self._signed or bool(self._signs) or not negative) and (bool(self._spelled) or not several)

    def settings(self) -> dict[str, Any]:
        """Return what was found of signs and units."""
        found: dict[str, Any] = {"signs": self._signs} if self._signs else {}
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
            part = self._part(column)
            if part is None:
                return None
            joined += part
        return joined

    def _part(self, column: Sequence[str]) -> str | None:
        if len(set(column)) == 1:
            unit = self._constant_unit(column[0])
            return "{unit}" if unit else column[0].replace("{", "{{").replace("}", "}}")
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
            self.skips = True
            widths = {len(text) for text in column}
            return f"{{skip:{widths.pop()}}}" if len(widths) == 1 else "{skip}"
        return None

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
