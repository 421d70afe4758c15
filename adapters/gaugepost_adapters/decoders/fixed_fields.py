"""Gauges and thermometers whose frames have each thing at its place: printer ports, displays' own buses, packets.

In characters, one a place:

    place   1  2  3  4  5  6  7  8  9 10 11 12
            S  c  s  d  d  d  .  d  d  d  u  t   T T
            │  │  │  └──────┴─────────┘   │  │   └ terminator: takes no place
            │  │  └ sign   digits         │  └ status
            │  └ channel                  └ unit
            └ start mark

In nibbles, two a byte, low or high one first; the byte 21 is the places 1, 2 or 2, 1:

    place   1  2   3  4   5  6   7  8   9 10  11 12  13 14
            F  F   F  F   s  d   d  d   d  d   d  p   u  x
            └ start mark  │  └──────────────┘    │   │  └ ignored: fills the last byte
                          └ sign    digits       │   └ unit
                                                 └ how many of the digits are decimals

Every part but the digits may be missing and any order will do. Nothing is read that the settings do not name: a place
without a meaning is an error of the station file, and a spelling that they do not know makes a bad frame.
"""

from __future__ import annotations

import re
from typing import ClassVar, TypeVar

from gaugepost.contract import AdapterSettings, BadFrame, Condition, Decoded, ValueRefused
from gaugepost.contract.teaching import Drafts, Evidence
from gaugepost_adapters.decoders.fixed_fields_settings import Settings
from gaugepost_adapters.decoders.framed import Cutter, MeasuringDecoder, stated, with_decimals
from gaugepost_adapters.decoders.framing import Framer, Piece
from gaugepost_adapters.decoders.places import places
from gaugepost_adapters.decoders.proven_framing import EdgeFramer, ProvenFramer

T = TypeVar("T")
_PLAIN = re.compile(r"[+-]?[0-9]+", re.ASCII)
_PART = ("sign", "digits", "point", "unit", "status", "channel")


class FixedFields(MeasuringDecoder):
    """Decodes frames with fields at fixed places. A channel in the frame goes before the link's."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        super().__init__(settings, self._make_cutter)
        self._settings = settings
        self._low_first = settings.cells == "nibbles-low-first"
        self._cell = "nibble" if settings.nibbles else "character"
        named = dict(settings.fields.named())
        self._where = {name: places(named["fields", name]) for name in _PART if ("fields", name) in named}
        self._fixed = [
            (at, char)
            for where, text in settings.fields.fixed.items()
            for at, char in zip(places(where), text, strict=True)
        ]
        number = r"[+-]?[0-9]*" + re.escape(settings.decimal_sign) + r"[0-9]*"
        told = "point" in self._where or settings.implied_decimals is not None
        self._number = _PLAIN if told else re.compile(number, re.ASCII)

    def _make_cutter(self) -> Cutter:
        settings = self._settings
        start, end = self._packed(settings.start), self._packed(settings.end)
        if settings.framing == "terminator":
            return Framer(end, start)
        if settings.framing == "length":
            length = len(self._packed("0" * settings.length)) + len(end)
            return ProvenFramer(start, end, lambda _: length, self._fault)
        return EdgeFramer(settings.framing == "silence", start, end)

    @classmethod
    def propose(cls, evidence: Evidence) -> Drafts:
        """Return fields at fixed places that read what was typed; see `proposing/columns.py`."""
        from gaugepost_adapters.decoders.proposing import columns

        return columns.propose(evidence)

    def decode(self, piece: Piece, channel: str) -> list[Decoded]:
        """Return what one frame says. Raises `ValueRefused` where that is nothing."""
        settings, body = self._settings, self._unpacked(piece.body)
        if error := settings.errors.get(body):
            return [Condition(body, error.meaning, piece.raw, channel, error.ends_mastering)]
        frame = settings.start + body
        if len(frame) != settings.length:
            raise ValueRefused(f"{len(frame)} {self._cell}s, not the {settings.length} of the fields")
        for at, char in self._fixed:
            if frame[at] != char:
                raise ValueRefused(f"{self._cell} {at + 1} is {frame[at]!r}, not {char!r}")
        channel = self._at("channel", frame).strip(" ") or channel
        said: list[Decoded] = []
        if text := self._at("status", frame):
            status = _known("status", text, settings.statuses)
            said = stated(text, status, piece.raw, channel)
            if not status.value_holds:
                return said
        unit = None
        try:
            if text := self._at("unit", frame):
                unit = _known("unit", text, settings.units)
            return [*said, self.measured(self._shown(frame), unit, piece.raw, channel)]
        except ValueRefused as refused:
            return [BadFrame(str(refused.finding), piece.raw, channel)]

    def _shown(self, frame: str) -> str:
        """The digits as a gauge would show them: the sign in front, a point for whatever says where it is."""
        settings, digits = self._settings, self._at("digits", frame)
        number = digits.strip(" ") if settings.pad else digits
        sign = self._at("sign", frame)
        if not self._number.fullmatch(number) or (sign and number[0] in "+-"):
            raise ValueRefused(f"{digits!r} is no number at {settings.fields.digits}")
        decimals = settings.implied_decimals
        if point := self._at("point", frame):
            decimals = _known("point", point, settings.points)
        number = number.replace(settings.decimal_sign, ".")
        front = number[: len(number) - len(number.lstrip("+-"))]
        number = with_decimals(number[len(front) :], decimals or 0)
        return (_known("sign", sign, settings.signs) if sign else front) + number

    def _at(self, field: str, frame: str) -> str:
        return "".join([frame[at] for at in self._where.get(field, ())])

    def _fault(self, frame: bytes) -> str:
        """Why a stretch of bytes that begins with the start mark is no frame; nothing where it is one."""
        settings = self._settings
        start, end = self._packed(settings.start), self._packed(settings.end)
        if not frame.endswith(end):
            return f"no terminator {settings.end!r} where the frame should end"
        piece = Piece(frame, frame[len(start) : len(frame) - len(end)])
        try:
            bad = next((event for event in self.decode(piece, "") if isinstance(event, BadFrame)), None)
        except ValueRefused as refused:
            return refused.finding
        return bad.reason if bad else ""

    def _unpacked(self, data: bytes) -> str:
        """Bytes as places: a character each, or two hexadecimal digits."""
        if not self._settings.nibbles:
            return data.decode("latin-1")
        text = data.hex().upper()
        return _swapped(text) if self._low_first else text

    def _packed(self, text: str) -> bytes:
        if not self._settings.nibbles:
            return text.encode("latin-1")
        return bytes.fromhex(_swapped(text) if self._low_first else text)


def _swapped(text: str) -> str:
    """Each two characters the other way round."""
    return "".join([text[at : at + 2][::-1] for at in range(0, len(text), 2)])


def _known(field: str, text: str, spelled: dict[str, T]) -> T:
    if text not in spelled:
        raise ValueRefused(f"{text!r} is no {field} that the settings know")
    return spelled[text]
