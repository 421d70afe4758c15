"""What a scanner read: by its pattern it says what is in hand, which contacts are on a gauge, or which master it is."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache

from gaugepost.core.bench.commands.reports import reported
from gaugepost.core.bench.commands.tags import tagged
from gaugepost.core.bench.events import Arrived, Report
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.state import State
from gaugepost.core.bench.trust.confirming import OF_MASTERS, master_scanned
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.indication import Code, Moment
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import TAGS

TAKEN, UNKNOWN, REFUSED = "taken", "unknown", "refused"

GAUGE, CONTACT_SET = "gauge", "contact_set"
HOLES = (*TAGS, GAUGE, CONTACT_SET, *OF_MASTERS)
"""What a code can say."""
_TOGETHER = (TAGS, (GAUGE, CONTACT_SET), *((hole,) for hole in OF_MASTERS))
"""What one code can say at once."""

MAX_SHOWN = 80
"""Characters of an unknown code that are repeated in words; its bytes are recorded whole."""


def from_scanner(state: State, name: str, event: Arrived, code: Code, now: Moment) -> tuple[Record, ...]:
    """Return the record of the code, and of what follows from it. An unknown code changes nothing, visibly."""
    said = read_code(state.set_up.scanners[name].codes, code.text)
    shown = code.text if len(code.text) <= MAX_SHOWN else code.text[:MAX_SHOWN] + "…"
    fields = {"device": name, "link": event.link, "raw": code.raw}
    if said is None:
        text = f"{shown!r} fits none of {', '.join(map(repr, state.set_up.scanners[name].codes))}"
        return (plain(now, Kind.SCAN, code=UNKNOWN, text=text, **fields),)
    try:
        if any(hole in said for hole in OF_MASTERS):
            return (master_scanned(state, said, now, **fields),)
        follows = _contacts(state, said, now) if CONTACT_SET in said else tagged(state, said, now)
    except CommandRefused as refused:
        return (plain(now, Kind.SCAN, code=REFUSED, text=str(refused), **fields),)
    text = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in said.items())
    return (plain(now, Kind.SCAN, code=TAKEN, text=text, **fields), follows)


def _contacts(state: State, said: Mapping[str, str], now: Moment) -> Record:
    """Return the record of contacts that were changed: on the gauge named, or on the only one with this set."""
    contact_set, gauge = said[CONTACT_SET], said.get(GAUGE)
    if gauge is None:
        having = [g.name for g in state.set_up.gauges.values() if contact_set in (g.contact_sets or ())]
        if len(having) != 1:
            finding = f"{' and '.join(having) or 'no gauge'} has the contact set {contact_set!r}"
            raise CommandRefused(finding, hint="say in the code for which gauge, or report it")
        (gauge,) = having
    return reported(state, Report(gauge, "contacts", contact_set=contact_set), now)


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
        if hole not in HOLES:
            raise ValueRefused(
                f"{{{hole}}} is nothing that a code can say", hint=f"write {{{'}, {'.join(HOLES)}}}"
            )
        if hole in holes[:place]:
            raise ValueRefused(f"{pattern!r} says {hole} twice", hint="leave one of them out")
    if not any(set(holes) <= set(together) for together in _TOGETHER):
        raise ValueRefused(
            f"{pattern!r} says things that do not go together",
            hint="write one pattern for what is in hand, one for the contact set on a gauge, one for a master",
        )
    if holes == [GAUGE]:
        raise ValueRefused(f"{pattern!r} says nothing of the gauge", hint="write {contact_set} beside it")
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
