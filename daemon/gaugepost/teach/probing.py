"""How a line is set, judged by what came under each setting that was tried: bytes, and how many of them were damaged.

A byte ends with a stop bit, so a wrong speed damages about every second one. Eight bits without parity take as long as
seven with it: listening at one of them shows both, in the highest bit. So every speed is tried once at 8 bits without
parity, and only where that damages bytes everywhere, the settings that take longer or shorter. What fits is taken only
when nothing else that was tried could be it, and when it is text: other bytes from a sender that pauses regularly can
come undamaged, and wrong, at half its speed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from gaugepost.contract.probing import Line, LineParity

BAUDS = (9600, 4800, 19200, 2400, 38400, 1200, 57600, 115200)
"""Speeds to try, the most frequent first (common practice, no source)."""
OTHERS: tuple[tuple[int, LineParity], ...] = ((8, "even"), (8, "odd"), (7, "none"))
"""Bits and parity whose bytes are longer or shorter than those of `BAUDS`' round."""
MOST_SPEEDS = 3
"""Speeds at which `OTHERS` are tried: those that showed most text."""
LEAST_TURNS, MOST_TURNS = 2, 5
"""How often a setting is listened to before it is taken, and at the most."""
LEAST_DIFFERENT = 8
"""Different bytes that must have come undamaged."""
_NUMBER = frozenset(b"0123456789+-.,")
_RUN = re.compile(rb"[0-9.,]{4,}")
"""What each measurement has to hold."""
_TEXT = frozenset([*range(0x20, 0x7F), *b"\r\n\t\x02\x03"])


@dataclass(frozen=True, slots=True)
class Heard:
    """What came while the line was set so; no bytes where a person measured and nothing came."""

    line: Line
    undamaged: bytes
    damaged: bytes = b""


@dataclass(frozen=True, slots=True)
class Judgement:
    """How the line is set, if that is certain; otherwise why not, and what to listen to next, if anything."""

    found: Line | None
    reason: str
    next: Line | None


@dataclass(frozen=True, slots=True)
class _Reading:
    """A line that would explain what came under a setting."""

    line: Line
    text: bool
    enough: bool
    """Whether enough different bytes came."""


def judge(heard: Sequence[Heard]) -> Judgement:
    """Return how the line is set, as far as what was heard under different settings tells."""
    turns: dict[Line, list[Heard]] = {}
    for one in heard:
        turns.setdefault(one.line, []).append(one)
    all_heard = {line: _together(listened) for line, listened in turns.items()}
    untried = [line for line in map(Line, BAUDS) if line not in all_heard]
    if untried:
        return Judgement(None, f"{len(untried)} speeds were not listened to yet", untried[0])
    fitting = [(line, reading) for line, one in all_heard.items() if (reading := _reading(one))]
    text = [each for each in fitting if each[1].text]  # bytes that are none are then not the gauge's
    if not any(one.damaged for one in all_heard.values()) and len(text or fitting) > 1:
        alike = "bytes come alike whatever is set: this port does not tell how it is set"
        return Judgement(None, alike, None)
    if not text:
        return _with_other_bits(all_heard, [reading.line for _, reading in fitting])
    if len({reading.line for _, reading in text}) > 1:
        again = min((line for line, _ in text), key=lambda line: len(turns[line]))
        listed = " and ".join(str(reading.line) for _, reading in text)
        return Judgement(None, f"{listed} fit alike", _if_still_new(again, turns))
    line, reading = text[0]
    with_number = [_RUN.search(bytes(byte & 0x7F for byte in one.undamaged)) for one in turns[line]]
    if not reading.enough or len(with_number) < LEAST_TURNS or not all(with_number):
        few = f"{reading.line} fits, and too few different bytes, or numbers, came"
        return Judgement(None, few, _if_still_new(line, turns))
    return Judgement(reading.line, "", None)


def _together(listened: Sequence[Heard]) -> Heard:
    return Heard(
        listened[0].line,
        b"".join(one.undamaged for one in listened),
        b"".join(one.damaged for one in listened),
    )


def _if_still_new(line: Line, turns: Mapping[Line, Sequence[Heard]]) -> Line | None:
    return line if len(turns[line]) < MOST_TURNS else None


def _with_other_bits(heard: Mapping[Line, Heard], fitting: Sequence[Line]) -> Judgement:
    """Return what else to listen to where no text came; `fitting` fit what came."""
    ranked = sorted(map(Line, BAUDS), key=lambda line: -_text_share(heard[line]))
    for line in ranked[:MOST_SPEEDS]:
        for bits, parity in OTHERS:
            other = Line(line.baud, 7 if bits == 7 else 8, parity)
            if other not in heard:
                return Judgement(None, "no speed gives text with 8 bits and no parity", other)
    if not any(one.undamaged or one.damaged for one in heard.values()):
        return Judgement(None, "nothing came at all: see cable, and that the gauge sends to this port", None)
    if fitting:
        listed = " and ".join(map(str, fitting))
        return Judgement(None, f"no text came, so nothing is certain; undamaged came bytes at {listed}", None)
    return Judgement(None, "bytes come damaged under every setting that can be tried", None)


def _text_share(one: Heard) -> float:
    data = one.undamaged + one.damaged
    return sum(byte & 0x7F in _TEXT for byte in data) / len(data) if data else -1.0


def _reading(one: Heard) -> _Reading | None:
    """Return the line that would explain what came, None where none does. Damage says that the setting is wrong."""
    data, line = one.undamaged, one.line
    if one.damaged or not data:
        return None
    odd = [byte.bit_count() % 2 == 1 for byte in data]
    mixed = any(odd) and not all(odd)
    different = len(set(data))
    seven = bytes(byte & 0x7F for byte in data)
    if (line.bits, line.parity) == (8, "none") and _is_text(seven) and any(byte > 0x7F for byte in data):
        high_everywhere = all(byte > 0x7F for byte in data)
        if not mixed:  # the highest bit makes each byte even, or each odd: it is their parity
            both = not high_everywhere
            parity: LineParity = "odd" if odd[0] else "even"
            return _Reading(Line(line.baud, 7, parity), True, both and different >= LEAST_DIFFERENT)
        if high_everywhere:  # a stop bit that was taken for one of the byte's
            return _Reading(Line(line.baud, 7, "none"), True, different >= LEAST_DIFFERENT)
    text = _is_text(data)
    if line.bits == 7 and not text:
        return None
    # A parity bit that is not asked for is seen by the bytes for which it would be 0, and those come odd and even.
    return _Reading(line, text, mixed and different >= LEAST_DIFFERENT)


def _is_text(data: Iterable[int]) -> bool:
    """Tell whether bytes are what a gauge sends as text: nothing unreadable, and a good part of it a number."""
    listed = list(data)
    return all(byte in _TEXT for byte in listed) and 5 * sum(b in _NUMBER for b in listed) >= 2 * len(listed)
