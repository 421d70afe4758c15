"""Makes an inspection sheet from a station file, and looks at those that a station is to fill."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path

from gaugepost.contract import StationFacts
from gaugepost.contract.sheets import FillsSheets, Looked, Wanted
from gaugepost.core.errors import SettingsError
from gaugepost.core.setup import CharacteristicEntry
from gaugepost.edge import plugins
from gaugepost.edge.stationfile import Station, read_station

_EPILOG = """\
examples:
  gaugepost workbook new station.toml pump-housing.xlsx     makes a sheet; prints the lines for the station file
  gaugepost workbook check station.toml                     what is filled where, and what is in the way

A sheet of your own will do as well: [destinations.NAME] kind = "workbook" says which cells show what.

exit code: 0; 1 where something is in the way; 2 where something must be put right first
"""
_NEW = """\
The sheet has your characteristics with their limits, a row for each piece, run charts, and formats that tell accept
from reject by sign and word. Its cells have names, which the printed lines use: move, sort, colour, add as you like.

--show adds columns: value, verdict, decision (these three without it), deviation, conformity, probability,
uncertainty_mm, measured_at, operator, gauge, attempt, reasons, id.

examples:
  gaugepost workbook new station.toml pump-housing.xlsx
  gaugepost workbook new station.toml pump-housing.xlsx >> station.toml       its lines with it
  gaugepost workbook new station.toml bores.xlsx --characteristic pump-bore --pieces 50 --by-lot
  gaugepost workbook new station.toml wide.xlsx --across --show value --show decision --show operator
"""
_CHECK = """\
Nothing is written. A sheet that is open elsewhere is looked at as it was saved last.

exit code: 0; 1 where something is in the way; 2 where something must be put right first
"""
_MOST_PIECES = 1000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to `parser`."""
    parser.description = "Inspection sheets (.xlsx) that fill themselves: make a first one, look at yours."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    below = parser.add_subparsers(metavar="WHAT", required=True, title="what")
    new = below.add_parser(
        "new",
        help="make a sheet from the station file",
        description="Make an inspection sheet from a station file, ready to be filled.",
        epilog=_NEW,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    new.add_argument("station", metavar="STATION", type=Path, help="the station file")
    new.add_argument("file", metavar="FILE", type=Path, help="the workbook to make, as pump-housing.xlsx")
    new.add_argument("--pieces", type=int, default=25, metavar="N", help="how many pieces it takes (25)")
    new.add_argument(
        "--characteristic",
        action="append",
        metavar="NAME",
        help="only this one; several by repeating; else all of them",
    )
    new.add_argument("--show", action="append", metavar="NAME", help="what is shown of each measurement")
    new.add_argument("--by-lot", action="store_true", help="a template: every lot gets a workbook of its own")
    new.add_argument("--across", action="store_true", help="pieces side by side, not below each other")
    new.add_argument("--letter", action="store_true", help="print it on Letter paper, not on A4")
    new.set_defaults(act=_new)
    check = below.add_parser(
        "check",
        help="say what is filled where, and what is in the way",
        description="Look at the sheets that a station is to fill.",
        epilog=_CHECK,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument("station", metavar="STATION", type=Path, help="the station file")
    check.add_argument("destination", metavar="NAME", nargs="?", help="only this destination")
    check.add_argument("--json", action="store_true", help="one JSON object a destination")
    check.set_defaults(act=_check)


def run(args: argparse.Namespace) -> int:
    """Do what was asked; return the exit code. Raises `GaugepostError` where something must be put right first."""
    code: int = args.act(args)
    return code


def _new(args: argparse.Namespace) -> int:
    station = read_station(args.station)
    if not 1 <= args.pieces <= _MOST_PIECES:
        raise SettingsError(f"{args.pieces} pieces can't be", hint=f"write --pieces 1 to {_MOST_PIECES}")
    adapter: object = plugins.find(plugins.DESTINATIONS, "workbook")
    assert isinstance(adapter, FillsSheets)
    wanted = Wanted(
        _chosen(station, args.characteristic),
        args.pieces,
        name=_free_name(station),
        across=args.across,
        by_lot=args.by_lot,
        letter=args.letter,
        **({"shown": tuple(dict.fromkeys(args.show))} if args.show else {}),
    )
    lines = adapter.make(args.file, _facts(station), wanted)
    print(f"\n# fills {args.file}")
    print("\n".join(lines))
    return 0


def _chosen(station: Station, names: list[str] | None) -> list[CharacteristicEntry]:
    known = station.set_up.characteristics
    if not known:
        raise SettingsError(
            f"{station.path} has no characteristic to measure", hint="write [characteristics.NAME] first"
        )
    for name in names or ():
        if name not in known:
            raise SettingsError(f"there is no characteristic {name!r}", hint=f"there are: {', '.join(known)}")
    return [known[name] for name in dict.fromkeys(names or known)]


def _free_name(station: Station) -> str:
    """Return a name for the destination that the station file does not have yet."""
    name, number = "inspection-sheet", 1
    while name in station.destinations:
        number += 1
        name = f"inspection-sheet-{number}"
    return name


def _check(args: argparse.Namespace) -> int:
    station = read_station(args.station)
    found = dict(_looked(station, args.destination))
    if not found:
        raise SettingsError(
            f"{args.station} has no sheet to fill"
            if args.destination is None
            else f"{args.destination!r} is no destination that fills a sheet",
            hint=f"gaugepost workbook new {args.station} FILE.xlsx makes one, with the lines for the station file",
        )
    if args.json:
        for name, looked in found.items():
            print(json.dumps({"destination": name, **asdict(looked)}, ensure_ascii=False))
    else:
        print("\n\n".join("\n".join(_lines(name, looked)) for name, looked in found.items()))
    return 1 if any(looked.faults for looked in found.values()) else 0


def _looked(station: Station, only: str | None) -> Iterator[tuple[str, Looked]]:
    for plan in station.destinations.values():
        adapter: object = plan.destination
        if plan.settings is not None and isinstance(adapter, FillsSheets) and only in (None, plan.name):
            yield plan.name, adapter.look(plan.settings, _facts(station), station.set_up.characteristics)


def _lines(name: str, looked: Looked) -> Iterable[str]:
    first, *rest = looked.lines
    yield f"{name}: {first}"
    yield from (f"  {line}" for line in rest)
    if not looked.faults:
        yield "  nothing is in the way"
    for fault in looked.faults:
        yield f"  in the way: {fault.finding}"
        if fault.remedy:
            yield f"    {fault.remedy}"


def _facts(station: Station) -> StationFacts:
    return StationFacts(station.name, station.zone, station.data)
