"""`gaugepost check`: a station file read as the daemon would read it, and told back, before anything runs on it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

from gaugepost.core.bench.schedule import clock_text, span_text
from gaugepost.core.quantity import Unit, exact_text, from_mm, round_to
from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.core.setup import (
    Body,
    CharacteristicEntry,
    Combine,
    Does,
    GaugeEntry,
    MasterEntry,
    SetUp,
    TriggerEntry,
)
from gaugepost.edge.journal.room import look_at
from gaugepost.edge.stationfile import Finding, Severity, StartFrom, Station, StationFileError, read_station
from gaugepost.edge.stationfile.tables.backup import BackupPlan
from gaugepost.edge.stationfile.tables.checkpoints import CheckpointPlan
from gaugepost.shell.backups.kept import cautioned

_FINEST = Decimal("1E-6")
_CENTI = Decimal("0.01")

_EPILOG = """\
Every finding is shown at once: file:line: key: what is wrong; what was expected; what to write.
Warnings are things to know; a station runs with them. Inspection sheets that it is to fill are looked at too.

exit code: 0, or 2 where a file has errors
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = "Check station files without opening a port, and say what they come to."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "files", nargs="+", metavar="STATION", type=Path, help="a station file, as station.toml"
    )
    parser.add_argument(
        "--json", action="store_true", help="one finding a line as a JSON object, and nothing else"
    )


def run(args: argparse.Namespace) -> int:
    """Print findings and, of a file without errors, what it comes to; return 0, or 2 where any file has errors."""
    code = 0
    for number, file in enumerate(args.files):
        try:
            station = read_station(file, look=True)
        except StationFileError as error:
            code = 2
            _print_findings(error.findings, args.json)
            errors = sum(finding.severity is Severity.ERROR for finding in error.findings)
            if not args.json:
                print(f"{file}: {errors} error{'s' if errors != 1 else ''}, not fit to run")
            continue
        _print_findings(station.findings, args.json)
        if not args.json:
            print(*([""] if number else []), *summary(station), sep="\n")
    return code


def _print_findings(findings: tuple[Finding, ...], as_json: bool) -> None:
    for finding in findings:
        print(json.dumps(_plain(finding), ensure_ascii=False) if as_json else finding)


def _plain(finding: Finding) -> dict[str, str | int]:
    return {
        "file": finding.file,
        "line": finding.line,
        "severity": finding.severity.value,
        "key": finding.key,
        "finding": finding.finding,
        "expected": finding.expected,
        "write": finding.write,
    }


def summary(station: Station) -> Iterator[str]:
    """Yield what the station file comes to, in lines for a person."""
    set_up = station.set_up
    yield f"{station.path}: station {station.name}, fit to run"
    yield f"  time zone {set_up.zone}, journal in {station.data}, REST at http://{_host(station.host)}:{station.port}/"
    room = look_at(station.data, station.disk_floor, round(datetime.now(UTC).timestamp() * 1000))
    if room is not None:
        yield f"  disk: {room.warning(station.disk_warning_ms) or room.told()}"
    if station.backup is not None:
        yield f"  {_backup(station, station.backup)}"
    if station.checkpoints is not None:
        yield f"  {_checkpoints(station.checkpoints)}"
    if lots := _lots(set_up):
        yield f"  {lots}"
    drawn = {entry.unit for entry in set_up.characteristics.values()}
    unit = Unit.INCH if drawn == {Unit.INCH} else Unit.MM
    for heading, lines in (
        ("gauges", [_gauge(gauge, unit) for gauge in set_up.gauges.values()]),
        ("masters", [_master(master, unit) for master in set_up.masters.values()]),
        ("characteristics", [_characteristic(entry) for entry in set_up.characteristics.values()]),
        ("temperatures", list(_temperatures(set_up))),
        ("scanners", [f"{each.name}: reads {', '.join(each.codes)}" for each in set_up.scanners.values()]),
        ("triggers", [_trigger(trigger) for trigger in set_up.triggers.values()]),
        ("destinations", list(_destinations(station))),
    ):
        if heading in ("scanners", "triggers") and not lines:
            continue
        yield f"{heading}: {'none' if not lines else ''}".rstrip()
        yield from (f"  {line}" for line in lines)
    gaps = thermal_gaps(set_up)
    if set_up.characteristics:
        yield f"thermal correction: {'not applied where something is missing' if gaps else 'complete'}"
    yield from (f"  {name}: missing {', '.join(missing)}" for name, missing in gaps.items())


def _backup(station: Station, plan: BackupPlan) -> str:
    days, rest = divmod(plan.every_ms, 86_400_000)
    often = span_text(plan.every_ms) if rest else f"{days} d" if days > 1 else "day"
    at = "" if plan.at_min is None else f" at {clock_text(plan.at_min)}"
    said = cautioned(plan, station.data / "journal.db", station.disk_floor)
    return f"backup: every {often}{at} to {plan.folder}, {plan.keep} are kept{f'; {said}' if said else ''}"


def _checkpoints(plan: CheckpointPlan) -> str:
    missing = "" if plan.key.exists() else "; the key is not there: `gaugepost key make` makes it"
    often = f"every {plan.records} records or {span_text(plan.every_ms)}"
    return f"checkpoints: {often}, by the key {plan.key}{missing}"


def _lots(set_up: SetUp) -> str:
    if not set_up.lot_checks:
        return ""
    if set_up.lot_checks_asked is None:
        return "lots: a gauge that measured is checked before the next one"
    return f"lots: every gauge is checked at {' and '.join(set_up.lot_checks_asked)}"


def thermal_gaps(set_up: SetUp) -> dict[str, tuple[str, ...]]:
    """Return, by characteristic, what is missing for correcting it to 20 °C; nothing where all is there.

    The correction is all or nothing, so one missing piece leaves it out for that gauge and master.
    """
    gaps: dict[str, dict[str, None]] = {}
    for entry in set_up.characteristics.values():
        missing: dict[str, None] = {}
        if entry.coefficient is None:
            missing["part_material"] = None
        for body in (Body.PART, Body.MASTER):
            if not _has_temperature(set_up, body):
                missing[f"a temperature of the {body}"] = None
        for gauge in (set_up.gauges[name] for name in entry.gauges):
            if gauge.coefficient is None and gauge.drift_mm_per_k is None:
                missing[f"material or drift of gauge {gauge.name}"] = None
            if not _has_temperature(set_up, Body.GAUGE, gauge.name):
                missing[f"a temperature of gauge {gauge.name}"] = None
        for name in entry.masters or set_up.masters:
            if set_up.masters[name].coefficient is None:
                missing[f"material of master {name}"] = None
        if missing:
            gaps[entry.name] = missing
    return {name: tuple(missing) for name, missing in gaps.items()}


def _has_temperature(set_up: SetUp, body: Body, gauge: str | None = None) -> bool:
    if any(declared.body is body for declared in set_up.declared):
        return True
    return any(
        (meter.body is body and meter.gauge in (None, gauge)) or body in meter.stands_in_for
        for meter in set_up.thermometers.values()
    )


def _gauge(gauge: GaugeEntry, unit: Unit) -> str:
    sent = gauge.unit or "as sent"
    where = f"on {gauge.link}" + (f" channel {gauge.channel}" if gauge.channel else "")
    span = ""
    if gauge.size_range_mm:
        low, high = gauge.size_range_mm
        span = f", {_size(low, unit)} to {_size(high, unit)} {unit}"
    counts = f" {_size(gauge.nominal_mm, unit)} {unit}" if gauge.nominal_mm is not None else ""
    check = f"checked to {_small(gauge.check_limit_mm, unit)}"
    if every := "; ".join(_schedule(gauge)):
        check += f" {every}"
    if gauge.contact_sets:
        check += f", contact set {' or '.join(gauge.contact_sets)}"
    if gauge.stream:
        check += f", streams, {gauge.stream.takes} taken {gauge.stream.opens.replace('asked', 'when asked')}"
    return f"{gauge.name}: {gauge.contact}, {gauge.display}{counts}, unit {sent}, {where}{span}, {check}"


def _schedule(gauge: GaugeEntry) -> Iterator[str]:
    """Yield when the gauge is checked, beside a lot's ends."""
    for every in (gauge.check_every_ms, gauge.valid_for_ms):
        if every is not None:
            yield f"every {span_text(every)}"
            break
    if gauge.check_at_min:
        yield f"at {', '.join(map(clock_text, gauge.check_at_min))}"
    if gauge.check_every_pieces is not None:
        yield f"every {gauge.check_every_pieces} pieces"
    if gauge.valid_count is not None:
        yield f"after {gauge.valid_count} readings"


def _master(master: MasterEntry, unit: Unit) -> str:
    certified = ", no uncertainty"
    if master.uncertainty_mm is not None and master.coverage_factor is not None:
        certified = f", U = {_small(master.uncertainty_mm, unit)} (k = {master.coverage_factor})"
    elif master.half_tolerance_mm is not None:
        certified = f", nominal ± {_small(master.half_tolerance_mm, unit)} (class {master.tolerance_class})"
    serial = f", serial number {master.serial}" if master.serial else ""
    return f"{master.name}: {_size(master.size_mm, unit)} {unit}{certified}{serial}"


def _characteristic(entry: CharacteristicEntry) -> str:
    limits = _limits(entry)
    places = f", at {', '.join(entry.positions)}" if entry.positions else ""
    repeats = f", {entry.readings} readings" if entry.readings > 1 else ""
    how = "" if entry.combine is Combine.EACH else f", {entry.combine} judged"
    masters = f", set on {' or '.join(entry.masters)}" if entry.masters else ""
    rule = f", {entry.rule}" if entry.rule and entry.rule.needs_uncertainty else ""
    rule += ", rounded before it is judged" if entry.rounding is not None else ""
    gauges = " or ".join(entry.gauges)
    return f"{entry.name}: {entry.feature} {limits} with {gauges}{masters}{repeats}{places}{how}{rule}"


def _limits(entry: CharacteristicEntry) -> str:
    """The limits in the drawing's unit, to the step that values are displayed to."""
    lower, upper = (_in_unit(limit, entry) for limit in (entry.lower_mm, entry.upper_mm))
    if lower and upper:
        return f"{lower} to {upper} {entry.unit}"
    return f"at least {lower} {entry.unit}" if lower else f"at most {upper} {entry.unit}"


def _in_unit(limit_mm: Decimal | None, entry: CharacteristicEntry) -> str:
    if limit_mm is None:
        return ""
    value = from_mm(limit_mm, entry.unit)
    return exact_text(round_to(value, entry.step))


def _size(length_mm: Decimal, unit: Unit) -> str:
    return _plainly(round_to(from_mm(length_mm, unit), _FINEST))


def _small(length_mm: Decimal, unit: Unit) -> str:
    small = Unit.MICROINCH if unit is Unit.INCH else Unit.MICROMETRE
    return f"{_plainly(round_to(from_mm(length_mm, small), _FINEST))} {small}"


def _plainly(value: Decimal) -> str:
    text = exact_text(value)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _temperatures(set_up: SetUp) -> Iterator[str]:
    for declared in set_up.declared:
        spread = f" ± {declared.spread_k} K" if declared.spread_k is not None else ""
        yield f"{declared.body}: {_plainly(round_to(declared.celsius, _CENTI))} °C{spread}, declared"
    for meter in set_up.thermometers.values():
        of = f" {meter.gauge}" if meter.gauge else ""
        stands_in = (
            f", stands in for {', '.join(meter.stands_in_for)} ± {meter.spread_k} K"
            if meter.stands_in_for
            else ""
        )
        yield f"{meter.body}{of}: measured by {meter.name}{stands_in}"


def _trigger(trigger: TriggerEntry) -> str:
    what = {
        Does.ASK: f"asks {trigger.gauge} for its value",
        Does.NEXT_PIECE: "goes on to the next piece",
        Does.NEXT_CHARACTERISTIC: f"goes on to the next characteristic of {trigger.gauge}",
        Does.FINISH: f"finishes the mastering or check of {trigger.gauge}",
    }
    return f"{trigger.name}: {what[trigger.does]}"


def _destinations(station: Station) -> Iterator[str]:
    for plan in station.destinations.values():
        kinds = "what was measured" if plan.kinds == PUBLISHED_KINDS else ", ".join(plan.kinds)
        state = ", disabled: its plug-in can't be used" if plan.problem else ""
        begins = f"from {_begin(plan.from_)} on"
        yield f"{plan.name}: {plan.kind}, {kinds}, {begins}{state}"
        if plan.settings is not None:
            yield from (f"  {line}" for line in plan.settings.come_to(station.name))


def _begin(begin: StartFrom | datetime) -> str:
    if isinstance(begin, datetime):
        return f"{begin:%Y-%m-%d %H:%M:%S} {begin.tzname()}"
    return "the beginning" if begin is StartFrom.BEGINNING else "now"


def _host(host: str) -> str:
    return f"[{host}]" if ":" in host else host
