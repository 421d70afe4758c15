"""What sends over a link beside gauges: thermometers, scanners, triggers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from gaugepost.core.setup import Does
from gaugepost.edge.stationfile.tables.common import AnyBody, Names, Table, Words
from gaugepost.edge.stationfile.values import DifferenceK, DurationMs, LastingMs, choice, words_of


class ThermometerTable(Table):
    """A thermometer and the body whose temperature it shows."""

    what = "a thermometer"
    link: Words = Field(examples=["bore-serial"])
    """Name of the link that carries its frames."""
    channel: Annotated[str, Field(max_length=200)] = ""
    """Its channel where a link carries several."""
    body: AnyBody
    """What its temperature belongs to."""
    gauge: Words | None = None
    """Which gauge, for body gauge; every gauge where it is missing."""
    max_age: LastingMs = Field(default="10 min", validate_default=True)
    """How old a temperature may be that is still used."""
    stands_in_for: list[AnyBody] = Field(default=[])
    """Bodies without a temperature of their own that take the air's, marked assumed."""
    spread: DifferenceK | None = None
    """How far such a body may be from the air's temperature, either way."""
    uncertainty: DifferenceK | None = None
    """Expanded uncertainty, k = 2, of the temperature that it shows."""
    ask_every: LastingMs | None = Field(default=None, examples=["500 ms"])
    """How often it is asked for its value; where it is missing, when somebody wants it."""
    answer_within: LastingMs = Field(default="1 s", validate_default=True)
    """How long an answer is waited for; what comes later is a bad frame."""


class ScannerTable(Table):
    """A scanner, and what the codes it reads say."""

    what = "a scanner"
    link: Words = Field(examples=["scanner"])
    """Name of the link that carries its codes."""
    channel: Annotated[str, Field(max_length=200)] = ""
    """Its channel where a link carries several."""
    codes: Names = Field(examples=[["LOT{lot}", "P{piece}"]])
    """What its codes look like, with holes: {operator}, {lot}, {piece}, {position} and {characteristic} for what is in
    hand; {contact_set} and {gauge} for contacts that are put on; {serial_number} or {master} for a master."""


class TriggerTable(Table):
    """A foot switch, or a line that is switched, and what it does."""

    what = "a trigger"
    link: Words = Field(examples=["foot-switch"])
    """Name of the link that tells when it is pressed."""
    channel: Annotated[str, Field(max_length=200)] = ""
    """Its channel where a link carries several."""
    does: Annotated[Does, choice(Does, "what a trigger does"), words_of(Does)]
    """Ask a gauge for its value, go on to the next piece or characteristic, or finish the mastering or check."""
    gauge: Words | None = Field(default=None, examples=["bore-38"])
    """The gauge it is about; does next-piece has none."""
    debounce: DurationMs = Field(default=300)
    """Pressed again within this time is one press: contacts bounce."""
