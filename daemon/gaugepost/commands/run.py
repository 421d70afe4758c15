"""`gaugepost run`: the service itself."""

from __future__ import annotations

import argparse
import asyncio
import dataclasses
import sys
from pathlib import Path

import structlog

from gaugepost import app
from gaugepost.edge.logs import set_up_logs
from gaugepost.edge.stationfile import Station, read_station

SWITCH_S = 0.0005
"""The threads that wait for the disk let go of the interpreter at every row and must have it back before the next. At
the standard 5 ms each row waits that long while the event loop is busy, and deliveries fall behind."""

_EPILOG = """\
ends with SIGINT (Ctrl-C) or SIGTERM, after what came in is recorded and sent where it can be
SIGHUP has the station file read again, as `gaugepost reload` does: what can be taken is, without a frame lost
logs go to stderr: for eyes on a terminal, as JSON lines otherwise

exit code: 0; 1 where events could not be recorded at the end; 2 where the station file, its journal or its address
must be put right first
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments and description to `parser`."""
    parser.description = (
        "Run a station: listen to its gauges, record and publish every reading, serve its REST interface."
    )
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("file", metavar="STATION", type=Path, help="the station file, as station.toml")
    parser.add_argument(
        "--port", type=_port, help="listen at this port instead of the file's; 0 takes a free one"
    )


def run(args: argparse.Namespace) -> int:
    """Run the station until it is told to end; return its exit code.

    Raises:
        GaugepostError: what has to be put right before it can run, every finding of the station file at once.
    """

    def read(text: str | None = None) -> Station:
        station = read_station(args.file, text=text)
        return station if args.port is None else dataclasses.replace(station, port=args.port)

    station = read()
    set_up_logs()
    log = structlog.get_logger(__name__)
    for warning in station.findings:
        log.warning("station file", finding=str(warning))

    sys.setswitchinterval(SWITCH_S)

    def listening(address: str) -> None:
        print(f"listening on {address}", flush=True)  # the line that a script waits for

    return asyncio.run(app.run(station, reread=read, on_listening=listening))


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"{text!r} is no port: write a number from 0 to 65535")
    return int(text)
