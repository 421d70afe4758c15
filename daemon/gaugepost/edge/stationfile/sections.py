"""The sections of a station file one by one: raw tables held against their models, entries resolved."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from gaugepost.core.setup import (
    CharacteristicEntry,
    DeclaredTemperature,
    GaugeEntry,
    MasterEntry,
    ScannerEntry,
    ThermometerEntry,
    TriggerEntry,
)
from gaugepost.edge.stationfile import resolve
from gaugepost.edge.stationfile.checked import checked
from gaugepost.edge.stationfile.checks import door, rules
from gaugepost.edge.stationfile.findings import Report, either, nearest, toml
from gaugepost.edge.stationfile.model import (
    CharacteristicTable,
    GaugeTable,
    MasterTable,
    ScannerTable,
    ServiceTable,
    StationTable,
    Table,
    TemperaturesTable,
    ThermometerTable,
    TriggerTable,
)
from gaugepost.edge.stationfile.positions import Path
from gaugepost.edge.stationfile.tables import backup as backups, checkpoints as signing

SINGLE = ("station", "service", "temperatures", "backup", "checkpoints")
NAMED = (
    "links",
    "gauges",
    "masters",
    "thermometers",
    "scanners",
    "triggers",
    "characteristics",
    "destinations",
)

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}", re.ASCII)

Raw = Mapping[str, Any]
Raws = Mapping[str, Raw]
T = TypeVar("T", bound=Table)
P = TypeVar("P")


@dataclass(frozen=True, slots=True)
class Entries:
    """What of a file is right enough to be resolved."""

    gauges: dict[str, GaugeEntry]
    masters: dict[str, MasterEntry]
    thermometers: dict[str, ThermometerEntry]
    scanners: dict[str, ScannerEntry]
    triggers: dict[str, TriggerEntry]
    characteristics: dict[str, CharacteristicEntry]


def unknown_sections(report: Report, raw: Raw) -> None:
    """Note every top-level key that is no section."""
    known = (*SINGLE, *NAMED)
    for key in raw:
        if key not in known:
            best = nearest(key, known)
            report.error(
                (key,),
                f"{toml(key)} is not a part of a station file",
                either(known),
                f"write {best}" if best else "",
            )


def named(report: Report, raw: Raw, section: str) -> dict[str, Raw]:
    """Return the tables of a section by name; what is no table, or has a name that can't be, is noted."""
    tables = raw.get(section, {})
    header = f"tables [{section}.NAME]"
    if not isinstance(tables, dict):
        report.error((section,), f"{toml(tables)} is not a table", header)
        return {}
    for name, table in tables.items():
        if not NAME.fullmatch(name):
            report.error(
                (section, name),
                f"{toml(name)} can't be a name",
                "up to 64 letters, digits, dots, hyphens and underscores, the first a letter or digit",
                f"write [{section}.{name_like(name)}]",
            )
        if not isinstance(table, dict):
            report.error(
                (section, name), f"{toml(table)} is not a table", header, f"write [{section}.NAME] above it"
            )
    return {name: table for name, table in tables.items() if isinstance(table, dict)}


def name_like(name: str) -> str:
    """Return a name that can be, as near to `name` as that goes."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-_")[:64] or "NAME"


def station(report: Report, raw: Raw) -> StationTable | None:
    """Return the table [station], which must be there."""
    if "station" not in raw:
        report.error(("station",), "is missing", "a table [station]", 'write [station] and name = "bench-1"')
        return None
    return _single(report, raw, "station", StationTable)


def zone(report: Report, table: StationTable | None) -> ZoneInfo:
    """Return the station's time zone; UTC where none is named, which is noted."""
    if table is not None and table.time_zone is not None:
        try:
            return ZoneInfo(table.time_zone)
        except (KeyError, ValueError, OSError):
            report.error(
                ("station", "time_zone"),
                f"{toml(table.time_zone)} is not a time zone",
                "a name of the IANA time zone database",
                'write it as "Europe/Berlin" or "America/Chicago"',
            )
    elif table is not None:
        report.warn(
            ("station", "time_zone"),
            "is missing, so due dates and daily files go by UTC",
            write='write time_zone = "Europe/Berlin", or "UTC" if that is meant',
        )
    return ZoneInfo("UTC")


def service(report: Report, raw: Raw) -> ServiceTable | None:
    """Return the table [service] with its defaults; beyond this computer only with TLS and tokens."""
    table = _single(report, raw, "service", ServiceTable)
    return None if table is None else door.checked(report, table)


def temperatures(report: Report, raw: Raw) -> tuple[DeclaredTemperature, ...]:
    """Return the declared temperatures."""
    table = _single(report, raw, "temperatures", TemperaturesTable)
    return resolve.declared(table) if table else ()


def backup(report: Report, raw: Raw) -> backups.BackupTable | None:
    """Return the table [backup] where there is one."""
    table = _single(report, raw, "backup", backups.BackupTable) if "backup" in raw else None
    if table is not None:
        backups.check(report, table)
    return table


def checkpoints(report: Report, raw: Raw) -> signing.CheckpointsTable | None:
    """Return the table [checkpoints] where there is one."""
    if "checkpoints" not in raw:
        return None
    table = _single(report, raw, "checkpoints", signing.CheckpointsTable)
    if table is not None:
        signing.check(report, table)
    return table


def planned(make: Callable[[Report, str, Raw], P | None], report: Report, raws: Raws) -> dict[str, P]:
    """Return what `make` could make of each table."""
    made = {name: make(report, name, raw) for name, raw in raws.items()}
    return {name: plan for name, plan in made.items() if plan is not None}


def entries(
    report: Report, tables: Mapping[str, Raws], at: ZoneInfo, station: StationTable | None = None
) -> Entries:
    """Return every entry whose table is right, and note what is wrong with the others."""
    gauges = _tables(report, tables, "gauges", GaugeTable, rules.gauge)
    masters = _tables(report, tables, "masters", MasterTable, rules.master)
    thermometers = _tables(report, tables, "thermometers", ThermometerTable, rules.thermometer)
    scanners = _tables(report, tables, "scanners", ScannerTable, rules.scanner)
    triggers = _tables(report, tables, "triggers", TriggerTable, rules.trigger)
    wanted = _tables(report, tables, "characteristics", CharacteristicTable, rules.characteristic)
    resolved = {name: resolve.characteristic(report, name, table, station) for name, table in wanted.items()}
    for name, raw in tables["characteristics"].items():
        if name not in wanted:
            resolve.look_at_limits(report, name, raw)
    return Entries(
        {name: resolve.gauge(name, table, at) for name, table in gauges.items()},
        {name: resolve.master(name, table, at) for name, table in masters.items()},
        {name: resolve.thermometer(name, table) for name, table in thermometers.items()},
        {name: resolve.scanner(name, table) for name, table in scanners.items()},
        {name: resolve.trigger(name, table) for name, table in triggers.items()},
        {name: entry for name, entry in resolved.items() if entry is not None},
    )


def _tables(
    report: Report,
    tables: Mapping[str, Raws],
    section: str,
    model: type[T],
    rule: Callable[[Report, Path, Raw], None],
) -> dict[str, T]:
    good: dict[str, T] = {}
    for name, raw in tables[section].items():
        table = checked(report, (section, name), model, raw, model.what)
        rule(report, (section, name), raw)
        if table is not None:
            good[name] = table
    return good


def _single(report: Report, raw: Raw, section: str, model: type[T]) -> T | None:
    table = raw.get(section, {})
    if not isinstance(table, dict):
        report.error((section,), f"{toml(table)} is not a table", f"a table [{section}]")
        return None
    return checked(report, (section,), model, table, model.what)
