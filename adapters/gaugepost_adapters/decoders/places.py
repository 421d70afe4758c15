"""Places in a frame as a station file writes them, 5 or "6-11" or "5-7,9", and what stands where.

A frame of which a part is not known can't be held to be sound, so a place without a meaning is an error of the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from gaugepost.contract import Key, refusal

LAST_PLACE = 256
"""No gauge's frame with fields at fixed places is longer."""

_RUN = re.compile(r"([0-9]{1,3})(?:-([0-9]{1,3}))?", re.ASCII)
_EXPECTED = f"places counted from 1 to {LAST_PLACE}"


def _places_text(said: object) -> object:
    if isinstance(said, int) and not isinstance(said, bool):
        said = str(said)
    if not isinstance(said, str):
        raise refusal("these are no places", _EXPECTED, hint='write 5, "6-11" or "5-7,9-12"')
    text = said.replace(" ", "")
    runs = [_RUN.fullmatch(run) for run in text.split(",")]
    if not all(runs):
        raise refusal(f"{said[:40]!r} is no place", _EXPECTED, hint='write 5, "6-11" or "5-7,9-12"')
    ends = [int(end) for run in runs if run for end in run.groups() if end]
    if not all(1 <= end <= LAST_PLACE for end in ends) or len(text) > 80:
        raise refusal(
            f"{said[:40]!r} is beyond any frame", _EXPECTED, hint="count the frame's first place as 1"
        )
    if len(set(places(text))) != len(places(text)):
        raise refusal(f"{said[:40]!r} names a place twice", hint="name each place once")
    return text


Places = Annotated[
    str,
    BeforeValidator(_places_text),
    WithJsonSchema({"anyOf": [{"type": "integer"}, {"type": "string"}], "examples": ["6-11"]}),
]
"""Places in the order they are read: "11-6" is read from the back."""


def places(text: str) -> tuple[int, ...]:
    """Return the places that checked text names, counted from 0."""
    found: list[int] = []
    for run in text.split(","):
        first, _, last = run.partition("-")
        a, b = int(first) - 1, int(last or first) - 1
        found += range(a, b + 1) if a <= b else range(a, b - 1, -1)
    return tuple(found)


def untold(named: Iterable[tuple[Key, str]], start: int, cell: str) -> Mapping[Key, PydanticCustomError]:
    """Return a finding for each key whose places overlap an earlier one's, and for places that no key names.

    `named` are keys with their places; `start` is how many places the start mark takes; `cell` is what one is called.
    """
    found: dict[Key, Any] = {}
    taken: dict[int, str] = dict.fromkeys(range(start), "start")
    for key, text in named:
        for at in places(text):
            if at in taken:
                found[key] = refusal(
                    f"{text}: {cell} {at + 1} is taken by {taken[at]}",
                    hint="give each its own, counted from 1",
                )
            taken.setdefault(at, str(key[-1]) if key[-2:-1] != ("fixed",) else "fixed")
    missing = [at + 1 for at in range(max(taken, default=0)) if at not in taken]
    if missing and not found:
        found["fields",] = refusal(
            f"{cell} {', '.join(map(str, missing[:8]))}{' …' if len(missing) > 8 else ''} has no meaning",
            hint="name its field, write into fixed what always stands there, or into ignored that it does not matter",
        )
    return found
