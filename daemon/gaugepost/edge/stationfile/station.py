"""The whole station file, read in one go: a `Station` that can run, or every finding at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from zoneinfo import ZoneInfo

from gaugepost.contract import StationFacts
from gaugepost.core.setup import SetUp
from gaugepost.edge import plugins
from gaugepost.edge.stationfile import adapters, sections
from gaugepost.edge.stationfile.adapters import DestinationPlan, LinkPlan
from gaugepost.edge.stationfile.checks import asked, fitness, ranges, references, schedule, sheets, trust
from gaugepost.edge.stationfile.findings import Finding, Report, StationFileError
from gaugepost.edge.stationfile.source import Source, load, parse
from gaugepost.edge.stationfile.tables import backup as backups, checkpoints as signing
from gaugepost.edge.stationfile.tables.backup import BackupPlan
from gaugepost.edge.stationfile.tables.checkpoints import CheckpointPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A station that can run."""

    path: Path
    name: str
    zone: ZoneInfo
    data: Path
    """Folder of the journal, absolute."""
    disk_floor: int = 10**9
    """Bytes that shall stay free on the journal's disk."""
    disk_warning_ms: int = 60 * 86_400_000
    """How long before that is reached the service warns."""
    backup: BackupPlan | None = None
    """When and where the service copies its journal; None for not at all."""
    checkpoints: CheckpointPlan | None = None
    """Which key signs the journal's head, and how often; None for not at all."""
    host: str
    port: int
    certificate: Path | None = None
    """Certificate and key for TLS, absolute; both or neither."""
    key: Path | None = None
    names: tuple[str, ...] = ()
    """Hosts that the service is known by beside loopback."""
    tokens: bool = False
    """Whether every request must bring a token."""
    set_up: SetUp
    links: Mapping[str, LinkPlan]
    destinations: Mapping[str, DestinationPlan]
    findings: tuple[Finding, ...] = ()
    """Warnings: what somebody should know, though the station can run."""


def read_station(path: Path, *, look: bool = False, text: str | None = None) -> Station:
    """Return the station that the file at `path` describes. Opens nothing but that file and what plug-ins import.

    With `look`, sheets that are to be filled are opened too, and what keeps them from being filled is a warning. `text`
    is what the file would hold, where it does not yet.

    Raises:
        StationFileError: it can't be read or is not right; all findings, warnings too, in the order of the file.
    """
    source = load(path) if text is None else parse(text.encode(), str(path))
    report = Report(str(path), source.lines)
    station = _read(path, source, report, look=look)
    if station is None:
        raise StationFileError(report.findings) from report.cause
    return station


def _read(path: Path, source: Source, report: Report, *, look: bool) -> Station | None:
    raw = source.raw
    sections.unknown_sections(report, raw)
    tables = {section: sections.named(report, raw, section) for section in sections.NAMED}
    station = sections.station(report, raw)
    zone = sections.zone(report, station)
    service = sections.service(report, raw)
    declared = sections.temperatures(report, raw)
    backup = sections.backup(report, raw)
    checkpoints = sections.checkpoints(report, raw)
    find = cache(
        plugins.find
    )  # looking through what is installed takes 4 ms, and a station may have 32 links
    links = sections.planned(partial(adapters.link, find), report, tables["links"])
    destinations = sections.planned(partial(adapters.destination, find, zone), report, tables["destinations"])
    entries = sections.entries(report, tables, zone, station)
    references.check(report, tables)
    asked.check(report, entries.gauges, entries.thermometers, links)
    ranges.check(report, entries.gauges, entries.masters, entries.characteristics)
    fitness.complete(report, entries.gauges, entries.masters)
    schedule.check(report, entries.gauges)
    trust.complete(report, entries.gauges, entries.masters, entries.scanners)
    if report.failed or station is None or service is None:
        return None
    set_up = SetUp(
        station=station.name,
        zone=zone.key,
        lot_checks=bool(station.lot_checks),
        lot_checks_asked=tuple(station.lot_checks) if isinstance(station.lot_checks, tuple) else None,
        level=station.level_of_confidence,
        links={name: plan.entry() for name, plan in links.items()},
        gauges=entries.gauges,
        masters=entries.masters,
        thermometers=entries.thermometers,
        declared=declared,
        characteristics=entries.characteristics,
        scanners=entries.scanners,
        triggers=entries.triggers,
    )
    fitness.check(report, set_up)
    trust.check(report, set_up)
    data = (path.parent / station.data).absolute()
    if look:
        sheets.check(report, StationFacts(station.name, zone, data), destinations, entries.characteristics)
    return Station(
        path=path,
        name=station.name,
        zone=zone,
        data=data,
        disk_floor=station.disk_floor,
        disk_warning_ms=station.disk_warning,
        backup=backups.plan(backup, data) if backup else None,
        checkpoints=signing.plan(checkpoints, data) if checkpoints else None,
        host=service.host,
        port=service.port,
        certificate=data / service.certificate_file if service.certificate_file else None,
        key=data / service.key_file if service.key_file else None,
        names=tuple(service.names),
        tokens=bool(service.tokens),
        set_up=set_up,
        links=links,
        destinations=destinations,
        findings=report.findings,
    )
