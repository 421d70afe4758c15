"""Channels of one link: each is searched for itself, so that others are neither lost nor taken for the gauge."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from gaugepost.contract import Chunk, Decoded
from gaugepost.contract.capture import Captured
from gaugepost.contract.teaching import Evidence, Sample, all_chunks
from gaugepost.teach.judging import Fitting, is_typed, made, played
from gaugepost.teach.outlook import Recorded


def by_channel(evidence: Evidence) -> dict[str, Evidence]:
    """Return what came over each channel, of those that sent something with every sample."""
    found: dict[str, Evidence] = {}
    for channel in dict.fromkeys(chunk.channel for chunk in all_chunks(evidence)):
        samples = tuple(
            Sample(sample.typed, _of(channel, sample.chunks), _of(channel, sample.before))
            for sample in evidence.samples
        )
        if all(any(chunk.data for chunk in sample.chunks) for sample in samples):
            found[channel] = replace(evidence, samples=samples, after=_of(channel, evidence.after))
    return found


def _of(channel: str, chunks: Iterable[Chunk]) -> tuple[Chunk, ...]:
    return tuple(chunk for chunk in chunks if chunk.channel == channel)


def recorded(one: Fitting, channel: str, evidence: Evidence) -> tuple[Recorded, ...]:
    """Return all that came over every channel, frame by frame, with what the real decoder makes of it.

    The last frame of each sample that reads as typed says so. Fewer such frames than samples: what comes over other
    channels keeps it from being read.
    """
    decoder = made(one.decoder, one.draft.settings)
    assert decoder is not None
    found: list[Recorded] = []
    right: dict[int, int] = {}
    first: int | None = None
    waiting: list[Decoded] = []
    for at, chunk, events in played(decoder, evidence):
        first = chunk.arrived.clock_ms if first is None else first
        at_ms = max(chunk.arrived.clock_ms - first, found[-1].frame.at_ms if found else 0)
        for event in events:
            waiting.append(event)
            typed = at >= 0 and event.channel == channel and is_typed(event, evidence.samples[at].typed)
            if event.raw:
                frame = Captured(event.raw, at_ms, event.channel, chunk.complete)
                found.append(Recorded(frame, tuple(waiting)))
                waiting = []
                right |= {at: len(found) - 1} if typed else {}
    for at, place in right.items():
        found[place] = replace(found[place], shows=str(evidence.samples[at].typed))
    return tuple(found)
