"""Gauges and thermometers that send a number in binary, between marks and with a check, or one in each packet.

    place   1  2  3  4  5  6  7  8  9  10
            S  S  l  c  v  v  v  v  u  t    k k   T
            │     │  │  │           │  │    │     └ terminator: takes no place
            │     │  │  │           │  │    └ check over what is before it: takes no place either
            │     │  │  │           │  └ status, a bit for each thing that may be said
            │     │  │  │           └ unit
            │     │  │  └ number: integer, IEEE 754 float or packed decimal digits, the high or the low byte first
            │     │  └ channel
            │     └ length of the frame
            └ start mark

Every part but the number may be missing and any order will do. What stands at each place is named by the settings; a
bit of the status that they do not name makes a bad frame when it is set, since it might say that the value is none.
"""

from __future__ import annotations

from typing import ClassVar, TypeVar

from gaugepost.contract import AdapterSettings, BadFrame, Condition, Decoded, ValueRefused
from gaugepost.contract.teaching import Drafts, Evidence
from gaugepost_adapters.decoders.binary.numbers import NotFinite, bcd_text, float_text, integer, multiplied
from gaugepost_adapters.decoders.binary.settings import Settings
from gaugepost_adapters.decoders.framed import Cutter, MeasuringDecoder, stated
from gaugepost_adapters.decoders.framing import Piece
from gaugepost_adapters.decoders.places import places
from gaugepost_adapters.decoders.proven_framing import EdgeFramer, ProvenFramer

T = TypeVar("T")
_NAMED = ("value", "unit", "status", "channel", "length")


class BinaryNumber(MeasuringDecoder):
    """Decodes frames with a binary number. A channel in the frame goes before the link's."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        super().__init__(settings, self._make_cutter)
        self._settings = settings
        self._start, self._end = settings.start_bytes, settings.end_bytes
        self._shortest, self._longest = settings.shortest, settings.longest or settings.shortest
        named = dict(settings.fields.named())
        self._where = {name: places(named["fields", name]) for name in _NAMED if ("fields", name) in named}
        self._fixed = [(places(where), bytes.fromhex(text)) for where, text in settings.fields.fixed.items()]
        self._check = settings.check.function() if settings.check else None
        self._factor, self._resolution = settings.factor, settings.step

    def _make_cutter(self) -> Cutter:
        if self._settings.framing == "length":
            return ProvenFramer(self._start, self._end, self._length, self._unsound)
        return EdgeFramer(self._settings.framing == "silence", self._start, self._end)

    def _length(self, data: bytes) -> int:
        """Bytes of the frame that begins with `data`; one that can't be is left to the proof."""
        where = self._where.get("length")
        if where is None:
            return self._shortest
        if len(data) <= max(where):
            return 0
        told = self._told_length(data)
        return told if self._shortest <= told <= self._longest else self._shortest

    def _told_length(self, data: bytes) -> int:
        return integer(self._at("length", data), self._settings.order, False) + self._settings.length_adds

    def _unsound(self, frame: bytes) -> str:
        """Why a whole frame, from start mark to terminator, is not sound; nothing where it is."""
        if not self._shortest <= len(frame) <= self._longest:
            return f"{len(frame)} bytes, not the {self._shortest} of a frame"
        if not (frame.startswith(self._start) and frame.endswith(self._end)):
            return "it does not begin and end as frames do"
        if "length" in self._where and self._told_length(frame) != len(frame):
            return f"it says that it has {self._told_length(frame)} bytes, and has {len(frame)}"
        for where, text in self._fixed:
            if (stands := bytes([frame[at] for at in where])) != text:
                return f"byte {where[0] + 1} is {stands.hex(' ').upper()}, not {text.hex(' ').upper()}"
        if self._check and self._settings.check:
            last = len(frame) - len(self._end)
            first = last - self._settings.check.size
            right = self._check(frame[self._settings.check.begins - 1 : first])
            if (sent := frame[first:last]) != right:
                return f"its check is {sent.hex(' ').upper()}, not {right.hex(' ').upper()}"
        return ""

    @classmethod
    def propose(cls, evidence: Evidence) -> Drafts:
        """Return layouts of a binary number that read what was typed; see `proposing/numbers.py`."""
        from gaugepost_adapters.decoders.proposing import numbers

        return numbers.propose(evidence)

    def decode(self, piece: Piece, channel: str) -> list[Decoded]:
        """Return what one frame says. Raises `ValueRefused` where that is nothing."""
        frame = piece.raw
        if fault := self._unsound(frame):
            raise ValueRefused(fault)
        if "channel" in self._where:
            channel = str(integer(self._at("channel", frame), self._settings.order, False))
        try:
            return self._said(frame, channel)
        except ValueRefused as refused:
            return [BadFrame(refused.finding, frame, channel)]

    def _said(self, frame: bytes, channel: str) -> list[Decoded]:
        settings = self._settings
        said, holds = self._status(frame, channel)
        if not holds:
            return said
        value, unit = self._at("value", frame), None
        if error := settings.errors.get(value.hex().upper()):
            code = value.hex(" ").upper()
            return [*said, Condition(code, error.meaning, frame, channel, error.ends_mastering)]
        if "unit" in self._where:
            unit = _known("unit", self._at("unit", frame), settings.units)
        try:
            text = self._text(frame)
        except NotFinite:
            if not settings.not_a_number:
                raise
            told = settings.not_a_number
            return [*said, Condition("not a number", told.meaning, frame, channel, told.ends_mastering)]
        return [*said, self.measured(text, unit, frame, channel)]

    def _status(self, frame: bytes, channel: str) -> tuple[list[Decoded], bool]:
        """What the status says, and whether the value beside it counts."""
        settings = self._settings
        if "status" not in self._where:
            return [], True
        sent = self._at("status", frame)
        if settings.statuses:
            status = _known("status", sent, settings.statuses)
            return stated(sent.hex(" ").upper(), status, frame, channel), status.value_holds
        word = integer(sent, settings.order, False)
        said = []
        for name, bit in sorted(settings.status_bits.items(), key=lambda told: int(told[0])):
            if word >> int(name) & 1 == bit.when:
                if bit.then == "bad-frame":
                    raise ValueRefused(f"bit {name} of the status: {bit.meaning}")
                said.append((name, bit))
        named = sum(1 << bit for bit in {*settings.ignored_bits, *map(int, settings.status_bits)})
        if stray := word & ~named:
            raise ValueRefused(
                f"bit {stray.bit_length() - 1} of the status is set, which the settings do not know"
            )
        holds = all(bit.then == "value-holds" for _, bit in said)
        events: list[Decoded] = []
        for index, (name, bit) in enumerate(said, 1):
            # Each byte belongs to one event: the last one keeps the frame.
            own = b"" if holds or index < len(said) else frame
            events.append(Condition(f"bit {name}", bit.meaning, own, channel, bit.ends_mastering))
        return events, holds

    def _text(self, frame: bytes) -> str:
        """The number in plain digits.

        Raises:
            NotFinite: a float that is none.
            ValueRefused: the bytes are no such number, or it does not hold its digits.
        """
        settings, minus = self._settings, ""
        if bit := settings.sign_bit:
            byte, mask = frame[bit.place - 1], 1 << bit.bit
            minus = "-" if byte & mask else ""
            frame = frame[: bit.place - 1] + bytes([byte & ~mask]) + frame[bit.place :]
        data = self._at("value", frame)
        if settings.number == "float":
            assert self._resolution is not None
            return float_text(data, settings.order, self._factor, self._resolution)
        if settings.number != "bcd":
            return minus + multiplied(
                integer(data, settings.order, settings.number == "signed"), self._factor
            )
        nibbles = (data if settings.order == "high-first" else data[::-1]).hex().upper()
        if settings.sign_nibble:
            last = settings.sign_nibble == "last"
            sign, nibbles = (nibbles[-1], nibbles[:-1]) if last else (nibbles[0], nibbles[1:])
            if sign not in settings.signs:
                raise ValueRefused(f"the nibble {sign} is no sign that the settings know")
            minus = "-" if settings.signs[sign] == "-" else ""
        return minus + bcd_text(nibbles, self._factor)

    def _at(self, field: str, frame: bytes) -> bytes:
        return bytes([frame[at] for at in self._where[field]])


def _known(field: str, sent: bytes, spelled: dict[str, T]) -> T:
    text = sent.hex().upper()
    if text not in spelled:
        raise ValueRefused(f"{sent.hex(' ').upper()} is no {field} that the settings know")
    return spelled[text]
