"""How far a piece is with each of its characteristics: what is there, of how much, and what it comes to. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from gaugepost.core.setup import CharacteristicEntry, Combine
from gaugepost.service.measuring.lot import Measured
from gaugepost.service.views import Document

WORST = ("oversize", "undersize", "suspect", "undecided", "not-judged", "accepted", "in-limits")
"""Of several words the first one counts: the dearest mistake would be to overlook it."""
_GOOD = ("accepted", "in-limits")
MOST_SHOWN = 24
"""Measurements of a characteristic that are listed, the last ones."""


def cell(entry: CharacteristicEntry, measured: Collection[Measured]) -> Document:
    """Return where one characteristic of a piece stands: `taken` of `wanted` readings, the word, the attempt.

    `word` is a good one only where everything is there; a bad one counts as soon as it is known.
    """
    standing = [one for one in measured if one.stands and one.entry.record.characteristic == entry.name]
    if entry.combine is Combine.EACH:
        taken, wanted, words, attempt = _each(entry, standing)
    else:
        taken, wanted, words, attempt = _combined(entry, standing)
    done = taken >= wanted
    found = worst(words)
    return {
        "characteristic": entry.name,
        "taken": taken,
        "wanted": wanted,
        "done": done,
        "word": found if done or found not in _GOOD else None,
        "attempt": attempt,
    }


def row(entry: CharacteristicEntry, measured: Collection[Measured]) -> Document:
    """Return the same for the piece in hand, with every measurement: earlier attempts and those that are void too."""
    here = [one for one in measured if one.entry.record.characteristic == entry.name]
    return {
        **cell(entry, measured),
        "gauges": list(entry.gauges),
        "positions": list(entry.positions),
        "measurements": [_brief(one) for one in here[-MOST_SHOWN:]],
    }


def worst(words: Iterable[str]) -> str | None:
    """Return the word that counts of several; None of none."""
    known = [word for word in words if word]
    return min(known, key=lambda word: WORST.index(word) if word in WORST else -1, default=None)


def word_of(one: Measured) -> str:
    """Return what is shown of a measurement; empty for one of several that are combined."""
    shown = one.document["shown"]
    assert isinstance(shown, dict)
    said = str(shown.get("word", ""))
    return "suspect" if one.suspect and said in _GOOD else said


def _each(entry: CharacteristicEntry, standing: list[Measured]) -> tuple[int, int, list[str], int]:
    """Return readings taken and wanted, their words, and the attempt: of each place the last attempt counts."""
    taken, words, attempt = 0, [], 1
    places = entry.positions or (None,)
    for place in places:
        here = [one for one in standing if place is None or one.entry.record.position == place]
        last = max((one.entry.record.attempt or 1 for one in here), default=1)
        of_last = [one for one in here if (one.entry.record.attempt or 1) == last]
        if entry.readings:
            taken += min(len(of_last), entry.readings)
        words += [word_of(one) for one in of_last]
        attempt = max(attempt, last)
    return taken, len(places) * entry.readings, words, attempt


def _combined(entry: CharacteristicEntry, standing: list[Measured]) -> tuple[int, int, list[str], int]:
    wanted = len(entry.positions or (None,)) * entry.readings
    results = [one for one in standing if one.combined]
    readings = [one for one in standing if not one.combined]
    last = max((one.entry.record.attempt or 1 for one in standing), default=1)
    of_last = [one for one in results if (one.entry.record.attempt or 1) == last]
    if of_last:
        return wanted, wanted, [word_of(of_last[-1])], last
    # One that was not judged is not combined: the gauge stands at the reading that it was at.
    taken = sum((one.entry.record.attempt or 1) == last and not word_of(one) for one in readings)
    bad = [word for one in readings if (word := word_of(one))]
    return min(taken, wanted - 1), wanted, bad, last


def _brief(one: Measured) -> Document:
    document, record = one.document, one.entry.record
    shown = document["shown"]
    assert isinstance(shown, dict)
    return {
        "id": document["id"],
        "kind": document["kind"],
        "value": shown.get("value"),
        "unit": shown.get("unit"),
        "word": word_of(one) or None,
        "attempt": record.attempt,
        "position": record.position,
        "combined": one.combined,
        "replaced": None if one.replaced is None else one.replaced.value,
    }
