"""Teaching: seconds from six samples of 4 KiB each to what can be said of the gauge.

One that streams text, one that streams binary frames, one whose samples are noise, one with a value typed wrong, where
the search is done again without each sample, and one with two, where it is without each two.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import partial

from gaugepost.contract import Chunk, Moment
from gaugepost.edge.plugins import DECODERS, find, installed
from gaugepost.teach import Evidence, Sample, read_typed, search
from tests.benchmarks.figures import Figure, medians

_VALUES = (12345, 7891, -3072, 45906, 18634, -9217)
_BYTES = 4096
_GOAL_S = 2.0


def figures() -> Iterator[Figure]:
    """Yield the seconds of each search, beside one sample of one frame each."""
    kinds = {name: find(DECODERS, name) for name in installed(DECODERS)}
    dice = random.Random(7)
    text = [f"{value / 1000:+09.3f} mm\r\n".encode() for value in _VALUES]
    binary = [b"\xaa\x55" + value.to_bytes(4, "little", signed=True) + b"\x00\x03" for value in _VALUES]
    wrong = [text[0], text[1], text[2], text[4], text[4], text[5]]
    two_wrong = [*wrong[:5], text[3]]
    binary_wrong = [*binary[:3], binary[4], binary[4], binary[3]]
    captures = {
        "one frame each": _evidence(text),
        "text": _evidence([frame * (_BYTES // len(frame)) for frame in text]),
        "text in lines of one kind": _evidence([_lines(frame, dice) for frame in text]),
        "binary frames": _evidence([frame * (_BYTES // len(frame)) for frame in binary]),
        "noise": _evidence([dice.randbytes(_BYTES) for _ in _VALUES]),
        "digits without an end": _evidence([bytes(dice.choices(b"0123456789", k=_BYTES)) for _ in _VALUES]),
        "one typed wrong": _evidence([frame * (_BYTES // len(frame)) for frame in wrong]),
        "two typed wrong": _evidence([frame * (_BYTES // len(frame)) for frame in two_wrong]),
        "binary frames, two typed wrong": _evidence(
            [frame * (_BYTES // len(frame)) for frame in binary_wrong]
        ),
    }
    taken = medians({name: partial(search, one, kinds) for name, one in captures.items()}, 3)
    for name, seconds in taken.items():
        goal = f"at most {_GOAL_S:g} s"
        against = "one frame each"
        yield Figure(f"search: {name}", seconds, "s", taken[against], against, goal, seconds <= _GOAL_S)


def _evidence(sent: list[bytes]) -> Evidence:
    samples = []
    for at, (value, data) in enumerate(zip(_VALUES, sent, strict=True)):
        parts = [data[cut : cut + 64] for cut in range(0, len(data), 64)]
        chunks = tuple(Chunk(part, Moment(at * 9000 + n, at * 9000 + n, "b")) for n, part in enumerate(parts))
        samples.append(Sample(read_typed(f"{value / 1000:.3f} mm"), chunks))
    return Evidence(tuple(samples))


def _lines(frame: bytes, dice: random.Random) -> bytes:
    """4 KiB of other values, the one that was typed among them."""
    lines = [f"{dice.uniform(-50, 50):+09.3f} mm\r\n".encode() for _ in range(_BYTES // len(frame) - 1)]
    return b"".join([*lines, frame])
