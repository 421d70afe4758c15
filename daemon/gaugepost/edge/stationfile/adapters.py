"""Links and destinations: which adapter each names, and its settings checked offline by that adapter's own model."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Generic, TypeVar
from zoneinfo import ZoneInfo

from gaugepost.contract import AdapterSettings, Decoder, Destination, Link
from gaugepost.core.record import PUBLISHED_KINDS, Kind
from gaugepost.core.setup import LinkEntry
from gaugepost.edge import plugins
from gaugepost.edge.stationfile.checked import checked, checked_settings
from gaugepost.edge.stationfile.described import described
from gaugepost.edge.stationfile.findings import Report, either, key_text, toml
from gaugepost.edge.stationfile.model import DecoderTable, DestinationTable, LinkTable, Table
from gaugepost.edge.stationfile.positions import Path
from gaugepost.edge.stationfile.values import StartFrom

Raw = Mapping[str, Any]
T = TypeVar("T", bound=Table)
Find = Callable[[str, str], type[Any]]
"""`plugins.find`, or one that looks for each plug-in only once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkPlan:
    """A link and the decoder on it, ready to be made: `link(settings, now)`, `decoder(decoder_settings)`."""

    name: str
    kind: str
    link: type[Link]
    settings: AdapterSettings
    decoder_kind: str
    decoder: type[Decoder]
    decoder_settings: AdapterSettings

    def entry(self) -> LinkEntry:
        """Return what the set-up keeps of it."""
        return LinkEntry(
            name=self.name,
            kind=self.kind,
            settings=document(self.settings),
            decoder=self.decoder_kind,
            decoder_settings=document(self.decoder_settings),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DestinationPlan:
    """A destination, ready to be made: `destination(settings, facts)`.

    Where its plug-in can't be used, `problem` says why, `destination` and `settings` are None, and the daemon goes on
    without it; its cursor stays.
    """

    name: str
    kind: str
    destination: type[Destination] | None
    settings: AdapterSettings | None
    kinds: tuple[Kind, ...] = PUBLISHED_KINDS
    """Kinds of records it gets."""
    from_: StartFrom | datetime = StartFrom.BEGINNING
    """Where it begins when it is new; a time is one with its zone."""
    problem: str | None = None


def document(settings: AdapterSettings) -> str:
    """Return settings as JSON text with sorted keys, every default filled in."""
    return json.dumps(
        settings.model_dump(mode="json"), ensure_ascii=False, sort_keys=True, separators=(",", ":")
    )


def link(find: Find, report: Report, name: str, raw: Raw) -> LinkPlan | None:
    """Return the link's plan; where there is none, note why and return None."""
    path: Path = ("links", name)
    found = _usable(find, report, path, raw, LinkTable, plugins.LINKS, without=("decoder",))
    decoder_raw = raw.get("decoder")
    if not isinstance(decoder_raw, dict):
        finding = "is missing" if decoder_raw is None else f"{toml(decoder_raw)} is not a table"
        known = plugins.installed(plugins.DECODERS) or ("...",)
        report.error(
            (*path, "decoder"),
            finding,
            "what turns the link's bytes into indications",
            f"write a table [{key_text((*path, 'decoder'))}] with kind = {either(map(toml, known))}",
        )
        return None
    told = described(report, (*path, "decoder"), decoder_raw)
    if told is None:
        return None
    decoder = _usable(find, told[0], (*path, "decoder"), told[1], DecoderTable, plugins.DECODERS)
    if found is None or decoder is None:
        return None
    return LinkPlan(
        name=name,
        kind=found.common.kind,
        link=found.adapter,
        settings=found.settings,
        decoder_kind=decoder.common.kind,
        decoder=decoder.adapter,
        decoder_settings=decoder.settings,
    )


def destination(find: Find, zone: ZoneInfo, report: Report, name: str, raw: Raw) -> DestinationPlan | None:
    """Return the destination's plan, with a problem where its plug-in is broken; None where its table is wrong.

    `zone` is that of a time to begin at which names none.
    """
    path: Path = ("destinations", name)
    try:
        found = _settings(find, report, path, raw, DestinationTable, plugins.DESTINATIONS)
    except plugins.PluginBroken as broken:
        report.warn((*path, "kind"), f"disabled: {broken.finding}", write=broken.hint)
        common = checked(Report(report.file, {}), path, DestinationTable, _own(DestinationTable, raw), "")
        if common is None:
            return None
        return _plan(zone, name, common, None, None, str(broken))
    return None if found is None else _plan(zone, name, found.common, found.adapter, found.settings, None)


def _plan(
    zone: ZoneInfo,
    name: str,
    common: DestinationTable,
    destination: type[Destination] | None,
    settings: AdapterSettings | None,
    problem: str | None,
) -> DestinationPlan:
    begin = common.start_from
    if isinstance(begin, datetime) and begin.tzinfo is None:
        begin = begin.replace(tzinfo=zone)
    return DestinationPlan(
        name=name,
        kind=common.kind,
        destination=destination,
        settings=settings,
        kinds=tuple(common.kinds or PUBLISHED_KINDS),
        from_=begin,
        problem=problem,
    )


@dataclass(frozen=True, slots=True)
class _Found(Generic[T]):
    common: T
    adapter: Any
    settings: AdapterSettings


def _own(table: type[Table], raw: Raw) -> dict[str, Any]:
    names = [field.alias or name for name, field in table.model_fields.items()]
    return {key: raw[key] for key in names if key in raw}


def _usable(
    find: Find,
    report: Report,
    path: Path,
    raw: Raw,
    table: type[T],
    group: str,
    without: tuple[str, ...] = (),
) -> _Found[T] | None:
    """As `_settings`, for what a station can't run without: a broken plug-in is an error of the file."""
    try:
        return _settings(find, report, path, raw, table, group, without)
    except plugins.PluginBroken as broken:
        report.error((*path, "kind"), broken.finding, write=broken.hint)
        report.cause = report.cause or broken
        return None


def _settings(
    find: Find,
    report: Report,
    path: Path,
    raw: Raw,
    table: type[T],
    group: str,
    without: tuple[str, ...] = (),
) -> _Found[T] | None:
    """Check the keys that every adapter of `group` has by `table`, and the others by the adapter that `kind` names.

    Raises `PluginBroken` once the common keys are checked.
    """
    own = _own(table, raw)
    rest = {key: value for key, value in raw.items() if key not in own and key not in without}
    if "kind" not in raw:
        known = plugins.installed(group)
        report.error(
            (*path, "kind"),
            "is missing",
            either(known),
            f"write kind = {toml(known[0])}" if known else "write kind",
        )
        checked(report, path, table, {**own, "kind": "to be written"}, table.what)
        return None
    common = checked(report, path, table, own, table.what)
    kind = raw["kind"]
    if not isinstance(kind, str):
        return None
    try:
        adapter = find(group, kind)
    except plugins.PluginMissing as missing:
        if missing.installed:
            what = f"an installed kind of {table.what.removeprefix('a ')}"
            report.unknown((*path, "kind"), what, kind, missing.installed)
        else:
            report.error((*path, "kind"), missing.finding, write=missing.hint)
        return None
    settings = checked_settings(report, path, adapter.Settings, rest, f"{table.what} of kind {toml(kind)}")
    for caution in settings.cautions() if settings is not None else ():
        report.warn((*path, caution.key), caution.finding, write=caution.write)
    return None if common is None or settings is None else _Found(common, adapter, settings)
