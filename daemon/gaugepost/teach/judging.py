"""Holds a draft to the real decoder made of it: what it reads of the evidence, and of frames nobody has sent yet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from gaugepost.contract import Chunk, Decoded, Decoder, Indication, Moment, Temperature, parse_temperature_c
from gaugepost.contract.teaching import Draft, Evidence, Sample, Typed

MOST_PROBES = 420
_SILENCE_S = 60.0
_GAP_MS = 400
_NOW = Moment(0, 0, "")
_TEXT = b"0179-+ .A"
Reads = tuple[str, str] | None
"""A number and its unit, None where a frame is refused."""


@dataclass(frozen=True, slots=True)
class Fitting:
    """A draft that reads in every sample what was typed."""

    kind: str
    decoder: type[Decoder]
    draft: Draft
    matched: tuple[Indication | Temperature, ...]
    """In each sample, the last that is as typed."""
    choice_bits: float
    """What it cost that several values came in one sample, of which one was as typed."""


def made(decoder: type[Decoder], settings: object) -> Decoder | None:
    """Return a decoder of these settings, None where they are refused."""
    try:
        return decoder(decoder.Settings.model_validate(settings))
    except ValidationError:
        return None


def with_request(decoder: type[Decoder], settings: Mapping[str, Any], request: str) -> Mapping[str, Any]:
    """Return settings that name the request that the gauge was asked with, where its decoder knows of any."""
    asks = request and "request" in decoder.Settings.model_fields
    return {**settings, "request": request} if asks else settings


def is_typed(event: Decoded, typed: Typed) -> bool:
    """Tell whether an event is what was typed: value, digits behind the point, and the unit where it was typed."""
    if isinstance(event, Temperature):
        return typed.scale is not None and event.celsius == parse_temperature_c(
            f"{typed.value:f} {typed.scale}"
        )
    if not isinstance(event, Indication) or typed.scale:
        return False
    same = event.value == typed.value and -int(event.value.as_tuple().exponent) == typed.decimals
    return same and (typed.unit is None or event.unit == typed.unit)


def read(decoder: Decoder, evidence: Evidence) -> list[list[Decoded]]:
    """Return what a decoder makes of each sample; silences between chunks are as long as they were."""
    found: list[list[Decoded]] = [[] for _ in evidence.samples]
    for at, _, events in played(decoder, evidence):
        if at >= 0:
            found[at] += events
    return found


def played(decoder: Decoder, evidence: Evidence) -> Iterator[tuple[int, Chunk, list[Decoded]]]:
    """Yield each chunk, the sample it belongs to (-1: none), and what a decoder makes of it and the silence after."""
    windows: list[tuple[Chunk, int]] = []
    for at, sample in enumerate(evidence.samples):
        windows += [(chunk, -1) for chunk in sample.before] + [(chunk, at) for chunk in sample.chunks]
    windows += [(chunk, -1) for chunk in evidence.after]
    for number, (chunk, at) in enumerate(windows):
        events = decoder.feed(chunk)
        if number + 1 == len(windows):
            events = [*events, *decoder.idle(_SILENCE_S)]
        elif (gap := windows[number + 1][0].arrived.clock_ms - chunk.arrived.clock_ms) >= _GAP_MS:
            events = [*events, *decoder.idle(gap / 1000)]
        yield at, chunk, events


def fitting(kind: str, decoder: type[Decoder], draft: Draft, evidence: Evidence) -> Fitting | None:
    """Return the draft as one that fits, None where its decoder does not read a sample as typed."""
    one = made(decoder, draft.settings)
    if one is None:
        return None
    matched, bits = [], 0.0
    for sample, events in zip(evidence.samples, read(one, evidence), strict=True):
        values = [event for event in events if isinstance(event, Indication | Temperature)]
        right = [event for event in values if is_typed(event, sample.typed)]
        if not right:
            return None
        matched.append(right[-1])
        bits += math.log2(len({said(event) for event in values}))
    return Fitting(kind, decoder, draft, tuple(matched), bits)


def said(event: Decoded) -> Reads:
    """Return number and unit of an event, None where it has none."""
    if isinstance(event, Indication):
        return f"{event.value:f}", event.unit or ""
    return (f"{event.celsius:f}", "°C") if isinstance(event, Temperature) else None


def same_in_every_cut(one: Fitting, evidence: Evidence) -> bool:
    """Tell whether the decoder reads the same where a stream comes byte by byte."""
    samples = tuple(
        replace(sample, before=_cut(sample.before), chunks=_cut(sample.chunks)) for sample in evidence.samples
    )
    decoder = made(one.decoder, one.draft.settings)
    if decoder is None:
        return False
    again = read(decoder, replace(evidence, samples=samples, after=_cut(evidence.after)))
    return all(
        any(is_typed(event, sample.typed) for event in events)
        for sample, events in zip(evidence.samples, again, strict=True)
    )


def _cut(chunks: Sequence[Chunk]) -> tuple[Chunk, ...]:
    cut: list[Chunk] = []
    for chunk in chunks:
        whole = chunk.complete or not chunk.data
        cut += [chunk] if whole else [replace(chunk, data=bytes([byte])) for byte in chunk.data]
    return tuple(cut)


def probes(fits: Iterable[Fitting], complete: bool) -> list[Chunk]:
    """Return frames nobody has sent: those that came, with one byte changed, at most `MOST_PROBES`."""
    frames: dict[bytes, None] = {}
    for one in fits:
        frames |= dict.fromkeys(event.raw for event in one.matched if 0 < len(event.raw) <= 300)
    found: dict[bytes, None] = dict.fromkeys(frames)
    for frame in _most_different(list(frames)):
        for at, byte in enumerate(frame):
            bits = [byte ^ 1 << bit for bit in range(8)]
            for other in [*(_TEXT if 32 <= byte < 127 else bits), 0, 255]:
                found.setdefault(frame[:at] + bytes([other & 255]) + frame[at + 1 :])
    listed = list(found)
    stride = max(1, -(-len(listed) // MOST_PROBES))
    return [Chunk(data, _NOW, complete=complete) for data in listed[::stride]]


def _most_different(frames: list[bytes]) -> list[bytes]:
    chosen = frames[:1]
    while len(chosen) < min(3, len(frames)):
        chosen.append(max(frames, key=lambda one: min(_distance(one, other) for other in chosen)))
    return chosen


def _distance(one: bytes, other: bytes) -> int:
    return sum(a != b for a, b in zip(one, other, strict=False)) + abs(len(one) - len(other))


def reads(one: Fitting, tried: Sequence[Chunk]) -> tuple[Reads, ...]:
    """Return what a draft, without its proof of whole frames, reads of each frame."""
    settings: Any = one.draft.settings if one.draft.bare is None else one.draft.bare
    decoder = made(one.decoder, settings) or made(one.decoder, one.draft.settings)
    assert decoder is not None
    found: list[Reads] = []
    for chunk in tried if one.draft.bare is None else [replace(chunk, complete=True) for chunk in tried]:
        events = [*decoder.feed(chunk), *decoder.idle(_SILENCE_S)]
        decoder.reset()
        found.append(next(filter(None, map(said, reversed(events))), None))
    return tuple(found)


def information_bits(samples: Sequence[Sample]) -> float:
    """Return the bits that the digits typed hold: of each value, those that differ from the nearest one before it."""
    bits, before = 0.0, list[str]()
    for sample in samples:
        whole = sample.typed.whole
        padded = [other.zfill(len(whole)) for other in before]
        fresh = min((sum(a != b for a, b in zip(whole[::-1], other[::-1], strict=False)) for other in padded),
                    default=len(whole))  # fmt: skip
        bits += fresh * math.log2(10)
        before.append(whole)
    return bits
