"""`gaugepost demo`: an invented shop on simulated instruments, measured by the real daemon."""

from __future__ import annotations

import argparse
import math
import re
import sys
from pathlib import Path

from gaugepost.commands.watch import style_of
from gaugepost.demo.broker import Broker
from gaugepost.demo.play import Options, play

ONCE_PACE = 0.1

_EPILOG = """\
Two bore gauges and a thermometer are simulated on pseudo-terminals; what reads, corrects, judges, records and serves
is the daemon itself, as `gaugepost run` starts it. Its files stay in the folder that is printed.
Where an MQTT broker answers at localhost:1883, or one is named, every record is published to it too.

exit code: 0, 1 where anything went otherwise than the story has it, 2 where it can't begin
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = (
        "Play a morning at the bench of an invented shop: mastering, checks, six pieces, some mishaps."
    )
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "--once", action="store_true", help="play it quickly and end, instead of going on until Ctrl-C"
    )
    parser.add_argument(
        "--pace",
        type=_pace,
        default=None,
        metavar="FACTOR",
        help=f"1 is a person's pace (default), smaller is quicker; with --once {ONCE_PACE} where not given",
    )
    parser.add_argument(
        "--data",
        type=Path,
        metavar="FOLDER",
        help="new or empty folder for its files (default: a temporary one)",
    )
    parser.add_argument("--port", type=_port, help="TCP port of the service (default: 8620, or a free one)")
    broker = parser.add_mutually_exclusive_group()
    broker.add_argument(
        "--broker",
        type=_broker,
        metavar="HOST[:PORT]",
        help="publish to this MQTT broker too (default: the one at localhost:1883, if any answers)",
    )
    broker.add_argument(
        "--no-broker", action="store_true", help="publish to no broker, whether there is one or not"
    )
    parser.add_argument("--ascii", action="store_true", help="draw with ASCII characters only")


def run(args: argparse.Namespace) -> int:
    """Play the demo; return its exit code."""
    pace = args.pace if args.pace is not None else ONCE_PACE if args.once else 1.0
    return play(
        Options(args.once, pace, args.data, args.port, args.broker, args.no_broker),
        sys.stdout,
        style_of(sys.stdout, ascii_only=args.ascii),
    )


def _pace(text: str) -> float:
    try:
        pace = float(text)
    except ValueError:
        pace = math.nan
    if not 0 <= pace <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is no pace; write a factor from 0 to 100, as 0.5")
    return pace


def _broker(text: str) -> Broker:
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[^\s:/@\[\]]+)(?::([0-9]{1,5}))?", text)
    if found is None or not 1 <= int(found[2] or 1883) <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no broker; write a host and a port, as localhost:1883")
    return Broker(found[1].strip("[]"), int(found[2] or 1883))


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text[:6]) <= 65535):
        raise argparse.ArgumentTypeError(f"{text!r} is no port; write a number from 1 to 65535")
    return int(text)
