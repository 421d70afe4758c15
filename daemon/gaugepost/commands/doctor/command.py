"""`gaugepost doctor` at the terminal."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from gaugepost.commands.doctor import computer, station
from gaugepost.commands.doctor.findings import Found, warning
from gaugepost.commands.talk import service_of
from gaugepost.edge.stationfile import Station, read_station

_EPILOG = """\
Run it as the user that the service runs as: permissions are looked at as they are for whoever asks. Where the service
runs it is asked how links and destinations stand; where it does not, each link is opened for a moment, and brokers and
databases are asked to let us in. Nothing is changed and nothing is delivered.

examples:
  gaugepost doctor station.toml
  sudo -u gaugepost gaugepost doctor /etc/gaugepost/station.toml

exit code: 0; 1 where something keeps the station from its work; 2 where the station file must be put right first
"""
_MARK = {"well": "ok     ", "warning": "watch  ", "fault": "FAULT  "}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments and description to `parser`."""
    parser.description = (
        "Look over a station and the computer under it: permissions, ports, disk, clock, certificate, journal, "
        "destinations. Each finding comes with its remedy."
    )
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("station", metavar="STATION", type=Path, help="the station file, as station.toml")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(at=None)


def run(args: argparse.Namespace) -> int:
    """Print every finding; return the exit code. Raises `GaugepostError` where the station file is not right."""
    found = []
    for one in _findings(args, read_station(args.station, look=True)):
        found.append(one)
        if not args.json:
            print(f"{_MARK[one.level]}{one.about}: {one.finding}", flush=True)
            if one.remedy:
                print(f"       -> {one.remedy}", flush=True)
    if args.json:
        print(json.dumps({"findings": [asdict(one) for one in found]}, indent=1))
    return 1 if any(one.level == "fault" for one in found) else 0


def _findings(args: argparse.Namespace, read: Station) -> Iterator[Found]:
    for said in read.findings:
        yield warning("station file", str(said), f"gaugepost check {args.station}")
    yield from computer.folder(read)
    yield from computer.journal(read)
    yield from computer.backups(read)
    yield from computer.checkpoints(read)
    yield from computer.clock()
    yield from computer.door(read)
    said_by_service = station.of_service(service_of(args))
    yield from computer.address(read, runs=said_by_service is not None)
    if said_by_service is not None:
        yield from said_by_service
        return
    yield from station.links(read)
    yield from station.destinations(read)
