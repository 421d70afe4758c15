"""The evidence: which bytes of a frame gave which digits, found by changing them and asking the decoder again."""

from __future__ import annotations

from dataclasses import replace

from gaugepost.contract import Chunk, Moment
from gaugepost.contract.teaching import Evidence, Sample
from gaugepost.teach.judging import Fitting, Reads, reads, said
from gaugepost.teach.outlook import Shown

_NOW = Moment(0, 0, "")
_MOST_BYTES = 256


def shown(one: Fitting, evidence: Evidence) -> tuple[Shown, ...]:
    """Return the frame of each sample, with the bytes that its number and its unit hang on."""
    found = []
    for number, (sample, event) in enumerate(zip(evidence.samples, one.matched, strict=True), 1):
        frame, itself = event.raw[:_MOST_BYTES], said(event)
        digits, unit = set[int](), set[int]()
        for at, seen in _changed(one, frame, sample):
            if seen and itself and seen[0] != itself[0]:
                digits.add(at)
            if seen and itself and seen[1] != itself[1]:
                unit.add(at)
        text = " ".join(filter(None, itself or ()))
        found.append(
            Shown(number, str(sample.typed), frame, tuple(sorted(digits)), tuple(sorted(unit)), text)
        )
    return tuple(found)


def loose(one: Fitting, evidence: Evidence) -> tuple[bytes, ...]:
    """Return of each sample the bytes that may change without being missed: nothing read hangs on them, no check."""
    whole = replace(one, draft=replace(one.draft, bare=None))
    found = []
    for sample, event in zip(evidence.samples, one.matched, strict=True):
        frame, itself = event.raw[:_MOST_BYTES], said(event)
        same, other = set[int](), set[int]()
        for at, seen in _changed(whole, frame, sample):
            if seen is not None:
                (same if seen == itself else other).add(at)
        found.append(bytes(frame[at] for at in sorted(same - other)))
    return tuple(found)


def _changed(one: Fitting, frame: bytes, sample: Sample) -> list[tuple[int, Reads]]:
    """What is read where one byte of a frame is another, and its place."""
    complete = any(chunk.complete for chunk in sample.chunks)
    spots, tries = list[int](), list[Chunk]()
    for at, byte in enumerate(frame):
        for other in {byte ^ 1, byte ^ 2, 0x31, 0x37} - {byte}:
            spots.append(at)
            tries.append(Chunk(frame[:at] + bytes([other]) + frame[at + 1 :], _NOW, complete=complete))
    return list(zip(spots, reads(one, tries), strict=True))
