"""Frames that no terminator ends, as packets, bursts or a rhythm give them: one for each sample, all of one length."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gaugepost.contract.teaching import Ask, Draft, Evidence, Sample, Typed

SILENCE_S = 0.4
_LONGEST = 64


@dataclass(frozen=True, slots=True)
class Frames:
    """The last frame of each sample, and how they are told apart."""

    framing: str
    frames: tuple[bytes, ...]
    typed: tuple[Typed, ...]
    never: frozenset[Ask]

    @property
    def length(self) -> int:
        """Bytes of each."""
        return len(self.frames[0])

    @property
    def signs(self) -> list[bool | None]:
        """Whether each value is negative; None for zero, whose sign says nothing."""
        return [one.negative if one.whole else None for one in self.typed]


def frames(evidence: Evidence) -> list[Frames]:
    """Return the ways in which each sample ends with a frame of the same length."""
    typed = tuple(sample.typed for sample in evidence.samples)
    if all(chunk.complete for sample in evidence.samples for chunk in sample.chunks):
        found = [("packet", [_packet(sample) for sample in evidence.samples])]
    else:
        bursts = [_burst(sample) for sample in evidence.samples]
        found = [("silence", bursts)]
        if rhythm := _rhythm(bursts):
            found = [("length", [burst[-rhythm:] for burst in bursts])]
    same = [(framing, each) for framing, each in found if len({len(frame) for frame in each}) == 1]
    return [
        Frames(framing, tuple(each), typed, evidence.never)
        for framing, each in same
        if 0 < len(each[0]) <= _LONGEST
    ]


def _packet(sample: Sample) -> bytes:
    return next((chunk.data for chunk in reversed(sample.chunks) if chunk.data), b"")


def _burst(sample: Sample) -> bytes:
    data, before = b"", None
    for chunk in sample.chunks:
        gap = before is not None and chunk.arrived.clock_ms - before >= 1000 * SILENCE_S
        data = chunk.data if gap else data + chunk.data
        before = chunk.arrived.clock_ms
    return data


def _rhythm(bursts: Sequence[bytes]) -> int:
    """Bytes after which every burst begins anew; 0 where that can't be seen."""
    shortest = min(map(len, bursts))
    for length in range(3, min(_LONGEST, shortest // 2) + 1):
        if all(len(burst) % length == 0 for burst in bursts):
            heads = {burst[at : at + 2] for burst in bursts for at in range(0, len(burst), length)}
            if len(heads) == 1:
                return length
    return 0


def apart(column: Sequence[Any], meanings: Sequence[Any]) -> dict[Any, Any]:
    """What each value of a column means, where each has one meaning and there are several; else nothing."""
    spelled: dict[Any, Any] = {}
    for value, meaning in zip(column, meanings, strict=True):
        if meaning is not None and spelled.setdefault(value, meaning) != meaning:
            return {}
    each = set(spelled.values())
    return spelled if len(each) == len(spelled) > 1 and set(column) <= set(spelled) else {}


@dataclass(slots=True)
class Rest:
    """What stands at the places that hold no number."""

    still: list[int]
    """Places that never change."""
    loose: list[int]
    """Places that change, often, and are not explained."""
    unit: int | None
    units: dict[Any, Any]
    """What stands at `unit`, and the unit it means."""
    changing: frozenset[Any]
    """What stands at the place that was let change."""


def rest(columns: Mapping[int, Sequence[Any]], typed: Sequence[Typed], let: int | None = None) -> Rest | None:
    """Sort places by what they do; None where one has two faces that nothing typed explains, or no unit is told apart.

    Such a place may be a sign or a unit that was typed wrong, or a status: nothing to be passed over. `let` may change.
    One that the unit explains may not be explained by the sign as well.
    """
    signs = [one.negative for one in typed]
    units = [one.scale or one.unit for one in typed]
    found = Rest([], [], None, {}, frozenset())
    for place, column in columns.items():
        if len(set(column)) == 1:
            found.still.append(place)
        elif found.unit is None and (spelled := apart(column, units)):
            if apart(column, signs):
                return None
            found.unit, found.units = place, {key: str(unit) for key, unit in spelled.items()}
        elif place == let and len(set(column)) == 2:
            found.changing = frozenset(column)
        elif len(set(column)) >= 3:
            found.loose.append(place)
        else:
            return None
    several = len(set(units) - {None}) > 1
    return None if several and found.unit is None else found


def loose_draft(settings: dict[str, Any], bare: dict[str, Any] | None, loose: Sequence[int]) -> Draft:
    """Return a draft that asks for sign and unit where it ignores places, which might hold them."""
    asks = frozenset({Ask.NEGATIVE, Ask.UNIT}) if loose else frozenset()
    clears = f"places {runs(loose)} change and nothing typed explains them: they might hold sign or unit"
    return Draft(settings, bare, asks, clears if loose else "")


def measured(typed: Sequence[Typed], from_frame: bool) -> dict[str, Any]:
    """Return quantity and unit or scale, as far as they were typed; `from_frame` where frames say the unit."""
    temperature = any(one.scale for one in typed)
    known = {one.scale if temperature else one.unit for one in typed} - {None}
    found: dict[str, Any] = {"quantity": "temperature"} if temperature else {}
    if len(known) == 1 and not from_frame:
        found["scale" if temperature else "unit"] = str(known.pop())
    return found


def runs(places: Sequence[int]) -> str:
    """Return places, counted from 0, as a station file writes them: "1-3,5"."""
    ordered = sorted(places)
    groups: list[list[int]] = []
    for place in ordered:
        if groups and groups[-1][-1] == place - 1:
            groups[-1].append(place)
        else:
            groups.append([place])
    return ",".join(f"{one[0] + 1}-{one[-1] + 1}" if len(one) > 1 else f"{one[0] + 1}" for one in groups)


def fixed(row: Sequence[str], places: Sequence[int]) -> dict[str, str]:
    """Return what always stands at places, a key for each stretch of them."""
    found: dict[str, str] = {}
    for stretch in filter(None, runs(places).split(",")):
        first, _, last = stretch.partition("-")
        found[stretch] = "".join(row[int(first) - 1 : int(last or first)])
    return found
