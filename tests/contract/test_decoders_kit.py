"""The kit finds each kind of promise that a decoder can break; sound decoders meet it with the captures."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable
from decimal import Decimal

import pytest

from gaugepost.contract import AdapterSettings, BadFrame, Chunk, Condition, Decoded, Indication, Temperature
from gaugepost.contract.kit import NotHeld, decoders
from gaugepost.contract.kit.not_held import check_settings
from gaugepost_adapters.decoders.delimited_settings import Settings
from gaugepost_adapters.decoders.delimited_text import DelimitedText

SETTINGS = Settings(terminator="\r", pattern="{sign}{value}")
SAMPLE = decoders.Sample(
    b"+12.345\r-0.002\r",
    (
        Indication("+12.345", Decimal("12.345"), None, b"+12.345\r"),
        Indication("-0.002", Decimal("-0.002"), None, b"-0.002\r"),
    ),
)


class _OneChunkOneFrame(DelimitedText):
    """Takes each chunk for a frame."""

    def feed(self, chunk: Chunk) -> list[Decoded]:
        return super().feed(dataclasses.replace(chunk, complete=True))


class _Forgetful(DelimitedText):
    """Passes over what it can't read."""

    def feed(self, chunk: Chunk) -> list[Decoded]:
        return [event for event in super().feed(chunk) if not isinstance(event, BadFrame)]


class _Generous(DelimitedText):
    """Reads what is left of a frame when the gauge falls silent."""

    def idle(self, elapsed_s: float) -> list[Decoded]:
        return self.feed(Chunk(b"\r", decoders.MOMENT)) if elapsed_s else []


class _Retentive(DelimitedText):
    """Keeps half a frame over a lost link."""

    def reset(self) -> list[Decoded]:
        return []


class _Hasty(DelimitedText):
    """Gives up half a frame at once."""

    def idle(self, elapsed_s: float) -> list[Decoded]:
        return super().idle(max(elapsed_s, 10))


class _Rounding(DelimitedText):
    """Makes numbers shorter than their digits."""

    def feed(self, chunk: Chunk) -> list[Decoded]:
        events = super().feed(chunk)
        return [
            dataclasses.replace(e, value=round(e.value, 2)) if isinstance(e, Indication) else e
            for e in events
        ]


class _Raising(DelimitedText):
    """Is surprised by bytes that are no text."""

    def feed(self, chunk: Chunk) -> list[Decoded]:
        chunk.data.decode("ascii")
        return super().feed(chunk)


class _Asking(DelimitedText):
    """Takes a question for an answer."""

    def request(self, channel: str = "") -> bytes:
        self.feed(Chunk(b"+1", decoders.MOMENT))
        return b"?"


@pytest.mark.parametrize(
    ("kind", "promise"),
    [
        (_OneChunkOneFrame, "cut as"),
        (_Forgetful, "every byte is in exactly one"),
        (_Generous, "half a frame, ended by silence, is a bad frame"),
        (_Retentive, "fresh start"),
        (_Hasty, "no silence ends nothing"),
        (_Rounding, "exactly what its text says"),
        (_Asking, "nothing is pending after a request"),
    ],
)
def test_the_kit_finds_a_broken_promise(kind: type[DelimitedText], promise: str) -> None:
    """Each promise of the kit is one that a decoder can break, and the finding names it."""
    with pytest.raises(NotHeld, match=promise):
        decoders.check_decoder(lambda: kind(SETTINGS), [SAMPLE])


class _AtSilence(DelimitedText):
    """Reads a frame when the line falls silent, as gauges without marks need it."""

    def feed(self, chunk: Chunk) -> list[Decoded]:
        if chunk.complete:
            return super().feed(chunk)
        self.held = getattr(self, "held", b"") + chunk.data
        return []

    def idle(self, elapsed_s: float) -> list[Decoded]:
        held = self.held if elapsed_s and hasattr(self, "held") else b""
        return super().feed(Chunk(self._taken(), decoders.MOMENT, complete=True)) if held else []

    def reset(self) -> list[Decoded]:
        left = self._taken()
        return [BadFrame("the link was lost", left)] if left else []

    def _taken(self) -> bytes:
        held, self.held = getattr(self, "held", b""), b""
        return held


SILENT = decoders.Sample(
    b"+12.345", (Indication("+12.345", Decimal("12.345"), None, b"+12.345"),), silent=True
)


def test_the_kit_hears_frames_that_a_silence_ends() -> None:
    """A sample that only a silence ends is looked for then, whole and cut; read before that it is a finding."""
    fixed = Settings(terminator="\r", pattern="{sign}{value:6}")
    for check in (decoders.check_reads, decoders.check_reset, decoders.check_truncated):
        check(lambda: _AtSilence(fixed), SILENT)
    decoders.check_cuts(lambda: _AtSilence(fixed), SILENT, random.Random(1))
    with pytest.raises(NotHeld, match="that a silence ends is not read before"):
        decoders.check_reads(lambda: _OneChunkOneFrame(fixed), SILENT)
    with pytest.raises(NotHeld, match="gives"):
        decoders.check_reads(lambda: DelimitedText(fixed), SILENT)


def test_the_kit_finds_a_decoder_that_raises() -> None:
    """Bytes that a decoder did not expect are fed to it, and its own error comes out."""
    with pytest.raises(UnicodeDecodeError):
        decoders.check_decoder(lambda: _Raising(SETTINGS), [SAMPLE])


@pytest.mark.parametrize(
    "events", [SAMPLE.events[:1], SAMPLE.events[::-1], (*SAMPLE.events, BadFrame("more")), ()]
)
def test_the_kit_finds_other_events_than_expected(events: tuple[Decoded, ...]) -> None:
    """A sample's events are held to be those, in that order, no more and no fewer."""
    with pytest.raises(NotHeld, match="gives"):
        decoders.check_decoder(lambda: DelimitedText(SETTINGS), [decoders.Sample(SAMPLE.data, events)])


@pytest.mark.parametrize(
    ("event", "promise"),
    [
        ("+12.345", "the contract's events only"),
        (BadFrame("", b"x"), "says why"),
        (BadFrame("long", b"x" * 4097), "no event holds more than 4096 bytes"),
        (Condition("E2", "", b"x"), "a code and a meaning"),
        (Indication("+12.345", Decimal("12.345"), None, b""), "keeps the bytes"),
        (Indication("12,345", Decimal("12.345"), None, b"x"), "plain digits"),
        (Indication("12.30", Decimal("12.3"), None, b"x"), "exactly what its text says"),
        (Temperature(Decimal("NaN"), b"x"), "a temperature is a number"),
    ],
)
def test_the_kit_holds_every_event_to_its_word(event: object, promise: str) -> None:
    """An event that contradicts itself is a finding, whatever the sample says."""
    with pytest.raises(NotHeld, match=promise):
        decoders.check_event(event)


def _unexplained() -> type[AdapterSettings]:
    class Unexplained(AdapterSettings):
        """No word about what it is."""

        baud: int = 9600

    return Unexplained


def _tolerant() -> type[AdapterSettings]:
    class Tolerant(AdapterSettings, extra="ignore"):
        """Takes any key."""

    return Tolerant


@pytest.mark.parametrize(
    ("make", "promise"),
    [(lambda: dict, "subclass of AdapterSettings"), (_unexplained, "docstring"), (_tolerant, "unknown keys")],
)
def test_the_kit_holds_settings_to_the_house_rules(make: Callable[[], object], promise: str) -> None:
    """Settings that take anything, or explain nothing, are a finding."""
    with pytest.raises(NotHeld, match=promise):
        check_settings(make())
