"""Which of the descriptions that are at hand read all that came from a gauge, and what they read there.

A description fits where its decoder finds a value and no bad frame in what came; the very first frame may be bad: who
begins to listen may hear the end of one. What fits is offered to a person, who sees on the display whether it is right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, partial
from itertools import chain
from pathlib import Path
from typing import Any, Literal

from gaugepost.contract import BadFrame, Chunk, Decoder, Indication, Temperature
from gaugepost.contract.teaching import Evidence, KnowsUsual
from gaugepost.core.errors import GaugepostError
from gaugepost.core.quantity import exact_text
from gaugepost.edge import plugins
from gaugepost.edge.stationfile import Station
from gaugepost.edge.stationfile.source import DESCRIPTION, load
from gaugepost.teach.judging import made, played

FOLDER = "descriptions"
"""Folder beside the station file whose gauge descriptions are tried."""
MOST_FILES = 200
MOST_BYTES = 1024
"""Of what came, so many bytes at the end are read by each description."""
MOST_READ = 20

Origin = Literal["device", "taught", "link", "file", "usual"]


@dataclass(frozen=True, slots=True)
class Description:
    """A decoder with its settings, and where they are from."""

    origin: Origin
    name: str
    """The device, the link or the file; empty for what a decoder knows as usual."""
    kind: str
    settings: Mapping[str, Any]
    table: Mapping[str, Any]
    """The same as a station file would have it: `kind` and settings, or `file`."""


@dataclass(frozen=True, slots=True)
class Read:
    """One frame, and what a description reads there."""

    frame: bytes
    says: str
    """Digits and unit, as "12.345 mm"."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A description that fits."""

    description: Description
    reads: tuple[Read, ...]
    resolution: str
    """The step of the last digit that came, as "0.001 mm"; empty where no unit is known."""
    check_limit: str
    """How far its checks may be off, to begin with: two such steps. Common practice, no source."""
    channel: str
    """The only channel that values came over; empty where the link has none, or several were used."""
    quantity: Literal["length", "temperature"]


def fits(descriptions: Iterable[Description], chunks: Sequence[Chunk]) -> list[Fit]:
    """Return the descriptions that fit, as they come; of those that read all alike the first."""
    last, size = len(chunks), 0
    while last and size + len(chunks[last - 1].data) <= MOST_BYTES:
        last -= 1
        size += len(chunks[last].data)
    evidence = Evidence((), tuple(chunks[last:]))
    found: dict[object, Fit] = {}
    find = cache(
        partial(plugins.find, plugins.DECODERS)
    )  # looking through what is installed takes 4 ms each time
    for one in descriptions:
        try:
            fit = _fit(find(one.kind), one, evidence)
        except GaugepostError:  # a plug-in that can't be used reads nothing
            continue
        if fit is not None:
            found.setdefault((fit.reads, fit.channel), fit)
    return list(found.values())


def at_hand(station: Station, tells: Mapping[str, str]) -> Iterator[Description]:
    """Yield what may describe a gauge: links of the station, files, what is usual or its device says itself.

    Reads the disk. `tells` is what the device says of its decoder's settings.
    """
    for plan in station.links.values():
        settings = plan.decoder_settings.model_dump(mode="json", exclude_unset=True)
        yield Description(
            "link", plan.name, plan.decoder_kind, settings, {"kind": plan.decoder_kind, **settings}
        )
    folder = station.path.parent / FOLDER
    for path in sorted(folder.glob("*.toml"))[:MOST_FILES] if folder.is_dir() else ():
        yield from _file(path)
    for kind, decoder in _decoders().items():
        if isinstance(decoder, KnowsUsual):
            for known in decoder.usual(tells):
                origin: Origin = "device" if tells and tells.items() <= known.items() else "usual"
                yield Description(origin, "", kind, known, {"kind": kind, **known})


def _decoders() -> dict[str, object]:
    """Return every decoder that is installed and can be used."""
    found: dict[str, object] = {}
    for kind in plugins.installed(plugins.DECODERS):
        with suppress(GaugepostError):
            found[kind] = plugins.find(plugins.DECODERS, kind)
    return found


def taught(document: Mapping[str, Any] | None) -> Iterator[Description]:
    """Yield the description that a lesson has decided on, where it has."""
    if document and (found := document["description"]):
        settings = {name: value for name, value in found.items() if name != "kind"}
        yield Description("taught", "", found["kind"], settings, found)


def _file(path: Path) -> Iterator[Description]:
    try:
        raw = load(path, DESCRIPTION).raw
    except GaugepostError:  # what is no description is none of a gauge either
        return
    kind = raw.get("kind")
    if isinstance(kind, str):
        settings = {name: value for name, value in raw.items() if name != "kind"}
        name = f"{FOLDER}/{path.name}"
        yield Description("file", name, kind, settings, {"file": name})


def _fit(adapter: type[Decoder], one: Description, evidence: Evidence) -> Fit | None:
    decoder = made(adapter, one.settings)
    if decoder is None:
        return None
    values: list[Indication | Temperature] = []
    events = chain.from_iterable(events for _, _, events in played(decoder, evidence))
    for number, event in enumerate(events):
        # No more is read than it takes: most descriptions don't fit, and gauges wait for the interpreter meanwhile.
        # What was taught was held to all of it by whoever decided.
        if number and isinstance(event, BadFrame) and one.origin != "taught":
            return None
        if isinstance(event, Indication | Temperature):
            values.append(event)
    if not values:
        return None
    channels = {value.channel for value in values}
    lengths = [value for value in values if isinstance(value, Indication)]
    unit = lengths[-1].unit if lengths else None
    step = min((each.resolution for each in lengths), default=Decimal(0))
    return Fit(
        one,
        tuple(Read(value.raw, _says(value)) for value in values[-MOST_READ:]),
        f"{exact_text(step)} {unit}" if unit else "",
        f"{exact_text(2 * step)} {unit}" if unit else "",
        channels.pop() if len(channels) == 1 else "",
        "length" if len(lengths) == len(values) else "temperature",
    )


def _says(value: Indication | Temperature) -> str:
    if isinstance(value, Temperature):
        return f"{exact_text(value.celsius)} °C"
    return f"{exact_text(value.value)} {value.unit or ''}".rstrip()
