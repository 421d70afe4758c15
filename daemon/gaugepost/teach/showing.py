"""The evidence: which bytes of a frame gave which digits, found by changing them and asking the decoder again."""

from __future__ import annotations

from gaugepost.contract import Chunk, Moment
from gaugepost.contract.teaching import Evidence
from gaugepost.teach.judging import Fitting, reads, said
from gaugepost.teach.outlook import Shown

_NOW = Moment(0, 0, "")


def shown(one: Fitting, evidence: Evidence) -> tuple[Shown, ...]:
    """Return the frame of each sample, with the bytes that its number and its unit hang on."""
    found = []
    for number, (sample, event) in enumerate(zip(evidence.samples, one.matched, strict=True), 1):
        frame, itself = event.raw[:256], said(event)
        complete = any(chunk.complete for chunk in sample.chunks)
        spots, tries = list[int](), list[Chunk]()
        for at, byte in enumerate(frame):
            for other in {byte ^ 1, byte ^ 2, 0x31, 0x37} - {byte}:
                spots.append(at)
                tries.append(Chunk(frame[:at] + bytes([other]) + frame[at + 1 :], _NOW, complete=complete))
        digits, unit = set[int](), set[int]()
        for at, seen in zip(spots, reads(one, tries), strict=True):
            if seen and itself and seen[0] != itself[0]:
                digits.add(at)
            if seen and itself and seen[1] != itself[1]:
                unit.add(at)
        text = " ".join(filter(None, itself or ()))
        found.append(
            Shown(number, str(sample.typed), frame, tuple(sorted(digits)), tuple(sorted(unit)), text)
        )
    return tuple(found)
