"""Frames that no terminator ends, as packets, bursts or a rhythm give them: one for each sample, all of one make."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gaugepost.contract.teaching import Ask, Draft, Evidence, Sample, Typed

SILENCE_S = 0.4
_LONGEST = 64
_RHYTHMS = 3
_MOST = 6
"""Ways to choose frames that are tried."""


@dataclass(frozen=True, slots=True)
class Frames:
    """The last frame of each sample, and how they are told apart."""

    framing: str
    frames: tuple[bytes, ...]
    """As much of each as the shortest has."""
    whole: tuple[bytes, ...]
    typed: tuple[Typed, ...]
    never: frozenset[Ask]
    length_at: tuple[int, int] | None = None
    """Where frames of different lengths say theirs, counted from 0, and what that leaves out."""

    @property
    def length(self) -> int:
        """Bytes of the shortest."""
        return len(self.frames[0])

    @property
    def signs(self) -> list[bool | None]:
        """Whether each value is negative; None for zero, whose sign says nothing."""
        return [one.negative if one.whole else None for one in self.typed]


def frames(evidence: Evidence) -> list[Frames]:
    """Return the ways in which each sample ends with a frame of the same make."""
    typed = tuple(sample.typed for sample in evidence.samples)
    if all(chunk.complete for sample in evidence.samples for chunk in sample.chunks):
        chosen = [("packet", each) for each in _packets(evidence.samples)]
    else:
        bursts = [_burst(sample) for sample in evidence.samples]
        chosen = [("silence", bursts), *(("length", each) for each in _rhythms(bursts))]
    found: dict[tuple[str, tuple[bytes, ...]], Frames] = {}
    for framing, whole in chosen:
        key = framing, tuple(whole)
        shortest, longest = min(map(len, whole)), max(map(len, whole))
        if not 0 < shortest <= longest <= _LONGEST or key in found:
            continue
        if shortest == longest:
            found[key] = Frames(framing, key[1], key[1], typed, evidence.never)
        elif at := _length_at(whole):
            cut = tuple(frame[:shortest] for frame in whole)
            framing = "packet" if framing == "packet" else "length"
            found[key] = Frames(framing, cut, key[1], typed, evidence.never, at)
    return list(found.values())[:_MOST]


def _packets(samples: Sequence[Sample]) -> Iterator[list[bytes]]:
    """Yield the last packet of each sample: of all, of one length, of one length and beginning (a report's number)."""
    came = [[chunk.data for chunk in reversed(sample.chunks) if chunk.data] for sample in samples]
    if not all(came):
        return
    yield [each[0] for each in came]
    for key in (lambda data: (len(data), b""), lambda data: (len(data), data[:1])):
        kinds = [{key(data): data for data in reversed(each)} for each in came]
        for kind in kinds[0]:
            if all(kind in each for each in kinds):
                yield [each[kind] for each in kinds]


def _burst(sample: Sample) -> bytes:
    data, before = b"", None
    for chunk in sample.chunks:
        gap = before is not None and chunk.arrived.clock_ms - before >= 1000 * SILENCE_S
        data = chunk.data if gap else data + chunk.data
        before = chunk.arrived.clock_ms
    return data


def _rhythms(bursts: Sequence[bytes]) -> Iterator[list[bytes]]:
    """Yield last frames where bursts are several frames of one length: they begin and look alike.

    Of so many frames two, four or eight at a time look alike as well, so that the shortest come first.
    """
    shortest, found = min(map(len, bursts)), 0
    if max(map(len, bursts)) < 6:
        return
    for length in range(3, min(_LONGEST, shortest) + 1):
        if any(len(burst) % length for burst in bursts):
            continue
        parts = [[burst[at : at + length] for at in range(0, len(burst), length)] for burst in bursts]
        several = sum(map(len, parts)) > len(parts)
        begins = {part[:1] for each in parts for part in each}
        if several and len(begins) == 1 and all(_alike(each) for each in parts) and found < _RHYTHMS:
            found += 1
            yield [each[-1] for each in parts]


def _alike(parts: Sequence[bytes]) -> bool:
    last = parts[-1]
    return all(2 * sum(a == b for a, b in zip(part, last, strict=True)) >= len(last) for part in {*parts})


def _length_at(whole: Sequence[bytes]) -> tuple[int, int] | None:
    """Return where frames of different lengths say theirs, and what that leaves out; None where they don't."""
    for place in range(min(8, *map(len, whole))):
        adds = {len(frame) - frame[place] for frame in whole}
        if len(adds) == 1 and 0 <= (left_out := adds.pop()) <= 8:
            return place, left_out
    return None


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
    told: list[int]
    """Places with few faces, that nothing typed explains: a status, as far as it came."""
    statuses: list[tuple[Any, ...]]
    """What stood at those places."""


def rest(columns: Mapping[int, Sequence[Any]], typed: Sequence[Typed], let: int | None = None) -> Rest | None:
    """Sort places by what they do; None where no unit is told apart, or by the sign as well.

    Few faces that nothing typed explains are a status: those that came hold. They may be a sign or a unit that was
    typed wrong, too, so that both have to be told apart elsewhere. `let` holds the sign, and may hold more.
    """
    signs = [one.negative for one in typed]
    units = [one.scale or one.unit for one in typed]
    found = Rest([], [], None, {}, [], [])
    for place, column in sorted(columns.items()):
        if len(set(column)) == 1:
            found.still.append(place)
        elif place == let:
            found.told.append(place)
        elif found.unit is None and (spelled := apart(column, units)):
            if apart(column, signs):
                return None
            found.unit, found.units = place, {key: str(unit) for key, unit in spelled.items()}
        elif 2 * len(set(column)) <= len(column) + 1:
            if apart(column, signs) or apart(column, units):
                return None
            found.told.append(place)
        elif len(set(column)) >= 3:
            found.loose.append(place)
        else:
            return None
    found.statuses = list(dict.fromkeys(zip(*(columns[place] for place in found.told), strict=True)))
    several = len(set(units) - {None}) > 1
    return None if several and found.unit is None else found


def loose_draft(
    settings: dict[str, Any], bare: dict[str, Any] | None, found: Rest, let: int | None = None
) -> Draft:
    """Return a draft that asks for sign and unit where places change that might hold them."""
    places = sorted({*found.loose, *found.told} - {let})
    if not places:
        return Draft(settings, bare)
    clears = f"places {runs(places)} change and nothing typed explains them: they might hold sign or unit"
    return Draft(settings, bare, frozenset({Ask.NEGATIVE, Ask.UNIT}), clears)


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
