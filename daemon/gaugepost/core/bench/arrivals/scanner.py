"""What a scanner read: by its pattern it says which operator, lot, piece, place or characteristic is in hand."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from gaugepost.core.bench.commands.tags import tagged
from gaugepost.core.bench.events import Arrived
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.state import State
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.indication import Code, Moment
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import TAGS

TAKEN, UNKNOWN, REFUSED = "taken", "unknown", "refused"

MAX_SHOWN = 80
"""Characters of an unknown code that are repeated in words; its bytes are recorded whole."""


def from_scanner(state: State, name: str, event: Arrived, code: Code, now: Moment) -> tuple[Record, ...]:
    """Return the record of the code, and of what is in hand after it. An unknown code changes nothing, visibly."""
    said = read_code(state.set_up.scanners[name].codes, code.text)
    shown = code.text if len(code.text) <= MAX_SHOWN else code.text[:MAX_SHOWN] + "…"
    fields = {"device": name, "link": event.link, "raw": code.raw}
    if said is None:
        text = f"{shown!r} fits none of {', '.join(map(repr, state.set_up.scanners[name].codes))}"
        return (plain(now, Kind.SCAN, code=UNKNOWN, text=text, **fields),)
    try:
        tags = tagged(state, said, now)
    except CommandRefused as refused:
        return (plain(now, Kind.SCAN, code=REFUSED, text=str(refused), **fields),)
    text = ", ".join(f"{key} {value}" for key, value in said.items())
    return (plain(now, Kind.SCAN, code=TAKEN, text=text, **fields), tags)


def read_code(patterns: Sequence[str], text: str) -> dict[str, str] | None:
    """Return what a code says by the first of `patterns` that it fits, or None where it fits none."""
    for pattern in patterns:
        if found := compiled(pattern).fullmatch(text):
            return found.groupdict()
    return None


@lru_cache(maxsize=256)
def compiled(pattern: str) -> re.Pattern[str]:
    """Return the matcher of a pattern as "LOT {lot}/{piece}": text, and holes that end where the next text begins.

    A hole takes one character or more, none of them the one that follows it, so that a code is read in one pass and in
    one way only.

    Raises:
        ValueRefused: a brace without its other, a hole that is no tag or stands twice, two holes without text between
            them, or no hole at all.
    """
    parts = re.split(r"\{([^{}]*)\}", pattern)
    holes, texts = parts[1::2], parts[0::2]
    if any(brace in text for text in texts for brace in "{}"):
        raise ValueRefused(f"{pattern!r} has a brace without its other", hint='write holes as "{piece}"')
    if not holes:
        raise ValueRefused(f"{pattern!r} says nothing", hint='write at least one hole, as "P{piece}"')
    for place, hole in enumerate(holes):
        if hole not in TAGS:
            raise ValueRefused(
                f"{{{hole}}} is nothing that a code can say", hint=f"write {{{'}, {'.join(TAGS)}}}"
            )
        if hole in holes[:place]:
            raise ValueRefused(f"{pattern!r} says {hole} twice", hint="leave one of them out")
    if "" in texts[1:-1]:
        raise ValueRefused(
            f"{pattern!r} has two holes with nothing between them",
            hint='write what parts them, as "{lot}/{piece}"',
        )
    made = re.escape(texts[0])
    for hole, after in zip(holes, texts[1:], strict=True):
        kept = f"[^{re.escape(after[0])}]" if after else "."
        made += f"(?P<{hole}>{kept}+){re.escape(after)}"
    return re.compile(made, re.DOTALL)
