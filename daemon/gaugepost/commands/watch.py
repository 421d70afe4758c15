"""`gaugepost watch`: what happens at a running station, in the terminal, as it happens."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from typing import NoReturn, TextIO

from gaugepost.commands.feed import Feed
from gaugepost.commands.view import Style, lines
from gaugepost.core.errors import GaugepostError, Unreachable
from gaugepost.edge.stationfile import read_station

WAIT_S = 20.0
AGAIN_S = 1.0
DEFAULT_ADDRESS = "http://127.0.0.1:8620"

_EPILOG = """\
examples:
  gaugepost watch                                 the station on this computer, from now on
  gaugepost watch --station bench.toml            the one that this file describes
  gaugepost watch --since beginning               its whole journal, then what happens
  gaugepost watch --at http://127.0.0.1:8621 --since 1200

Colours are left out where NO_COLOR is set or the output is no terminal; every verdict is a word too.
exit code: 0 when ended with Ctrl-C, 1 where no station answers
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = "Show each record of a running station as it happens."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--at", metavar="URL", help=f"address of the service (default {DEFAULT_ADDRESS})")
    where.add_argument("--station", metavar="FILE", type=Path, help="take the address from this station file")
    parser.add_argument(
        "--since",
        metavar="WHEN",
        type=_since,
        default=None,
        help='a sequence number, "now" (default) or "beginning"',
    )
    parser.add_argument("--ascii", action="store_true", help="draw with ASCII characters only")


def run(args: argparse.Namespace) -> int:
    """Print records until interrupted; return 0, or 1 where no station answers at the start."""
    try:
        address = args.at or (_address(args.station) if args.station else DEFAULT_ADDRESS)
        feed = Feed.from_now(address) if args.since is None else Feed(address, args.since)
        show(feed, style_of(sys.stdout, ascii_only=args.ascii))
    except GaugepostError as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 0
    except BrokenPipeError:
        # Whoever read us has gone: `gaugepost watch | head`. Nothing may be flushed there at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def show(feed: Feed, style: Style) -> NoReturn:
    """Print the feed's records for ever; a station that goes away after it answered once is waited for."""
    reached = False
    lost = False
    while True:
        try:
            records = feed.page(WAIT_S)
        except Unreachable as error:
            if not reached:
                raise
            if not lost:
                print(f"{error.finding}; waiting for it", file=sys.stderr)
            lost = True
            time.sleep(AGAIN_S)
            continue
        if lost:
            print(f"{feed.address} answers again", file=sys.stderr)
        reached, lost = True, False
        for record in records:
            print(*lines(record, style), sep="\n", flush=True)


def style_of(out: TextIO, *, ascii_only: bool = False) -> Style:
    """Return what the terminal behind `out` can show."""
    encoding = (out.encoding or "").lower().replace("-", "")
    colour = out.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    return Style(colour=colour, ascii=ascii_only or encoding != "utf8", zone=None)


def _since(text: str) -> int | None:
    if text == "now":
        return None
    if text == "beginning":
        return 0
    if text.isascii() and text.isdecimal() and len(text) < 16:
        return int(text)
    raise argparse.ArgumentTypeError(
        f'{text!r} is no place in a journal; write a sequence number, "now" or "beginning"'
    )


def _address(file: Path) -> str:
    station = read_station(file)
    host = f"[{station.host}]" if ":" in station.host else station.host
    return f"http://{host}:{station.port}"
