"""What a search has found so far: for a person to read, and for the description and its capture to be written from."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gaugepost.contract import Decoded
from gaugepost.contract.capture import Captured, frame_text, head_text, settings_text
from gaugepost.contract.teaching import Ask


@dataclass(frozen=True, slots=True)
class Shown:
    """Which bytes of a frame gave which digits."""

    sample: int
    """Counted from 1."""
    typed: str
    frame: bytes
    number: tuple[int, ...]
    """Places of the bytes that the number depends on, counted from 0."""
    unit: tuple[int, ...]
    """Places of the bytes that the unit depends on."""
    reads: str
    """What the description reads there."""

    def lines(self) -> tuple[str, str]:
        """Return the frame, as text or in hexadecimal digits, and under it a mark below each byte: n number, u unit."""
        text = self.frame.decode("latin-1")
        readable = all((char.isprintable() and char.isascii()) or char in "\r\n\t\x02\x03" for char in text)
        cells = [repr(char)[1:-1] if readable else f"{ord(char):02X} " for char in text]
        marks = []
        for at, cell in enumerate(cells):
            mark = "n" if at in self.number else "u" if at in self.unit else " "
            marks.append((mark * len(cell.rstrip())).ljust(len(cell)) if cell.strip() else mark * len(cell))
        return "".join(cells).rstrip(), "".join(marks).rstrip()


@dataclass(frozen=True, slots=True)
class Candidates:
    """Descriptions that differ only in ways no sample has shown: they read every frame tried on them alike."""

    count: int
    kind: str
    """Decoder of the first of them."""
    settings: Mapping[str, Any]
    """Settings of the first of them."""
    reads: str
    """What sets it apart from the leading one, as "unlike it reads …"; empty for the leading one."""


@dataclass(frozen=True, slots=True)
class Conflict:
    """A sample that does not fit what all the others agree on: what was typed, or measured, is wrong there."""

    sample: int
    """Counted from 1."""
    agree: tuple[int, ...]
    typed: str
    reads: str
    """What the description that the others agree on reads in that sample; empty where it reads nothing."""

    def __str__(self) -> str:
        others = ", ".join(map(str, self.agree))
        seen = f"they read {self.reads} there" if self.reads else "they read nothing there"
        return f"sample {self.sample} ({self.typed}) does not fit what samples {others} agree on: {seen}"


@dataclass(frozen=True, slots=True)
class Next:
    """A measurement that would settle something."""

    ask: Ask
    why: str
    needed: bool
    """Nothing is decided without it; otherwise it widens what the description accepts, or tells more of the frames."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """One frame that came, with what the description reads there."""

    frame: Captured
    events: tuple[Decoded, ...]
    shows: str = ""
    """What was typed for it; empty for all that came besides."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A description of the gauge: decoder and settings, and how surely they are no coincidence."""

    kind: str
    settings: Mapping[str, Any]
    channel: str
    """The link's channel that the gauge sends over; empty where the link has none."""
    bits: float
    """Information in the digits that it read as typed, less what was chosen to make them fit."""
    needed_bits: float
    cautions: tuple[str, ...]
    """What it refuses because no sample showed it, and what it can't check, a sentence each."""
    frames: tuple[Recorded, ...]
    """All that came, over every channel."""

    def description(self, what: str = "") -> str:
        """Return the description file, for `[links.NAME.decoder]` with `file = …`; `what` is its heading."""
        if self.channel:
            what += f"\nIt sends over channel {self.channel}: write channel = {json.dumps(self.channel)} at the gauge."
        heading = "".join(f"# {line}\n" for line in what.strip().splitlines())
        return (heading and heading + "\n") + settings_text({"kind": self.kind, **self.settings})

    def capture(self, what: str, composed: str) -> str:
        """Return the capture that proves it, in the format of `contract/capture.py`."""
        packets = any(one.frame.complete for one in self.frames)
        head = head_text(what, composed, self.kind, self.settings, packets=packets)
        return head + "".join(frame_text(one.frame, one.events, one.shows) for one in self.frames)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where a search stands. Exactly one of `accepted` and `reason` is given."""

    accepted: Proposal | None
    """The description, once it can't be wrong by luck."""
    reason: str
    """Why nothing is decided yet, a sentence."""
    leading: Proposal | None
    """The best of what still fits, decided or not; not to be used before it is accepted."""
    candidates: int
    """Descriptions that still fit every sample."""
    classes: tuple[Candidates, ...]
    """The same, in classes of those that can't be told apart yet; the leading one's first."""
    tried: int
    """Readings that were held against the samples."""
    shown: tuple[Shown, ...]
    """The evidence for the leading one, a frame for each sample."""
    conflict: Conflict | None
    next_measurements: tuple[Next, ...]
    """What to measure next, the most telling first."""
