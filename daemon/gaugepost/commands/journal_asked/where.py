"""The journal of a station by its file, or another one, such as a backup's."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_journal(parser: argparse.ArgumentParser) -> None:
    """Add the two ways to say which journal is read; one of them has to be said."""
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--station", metavar="FILE", type=Path, help="the station file; its journal is read")
    where.add_argument(
        "--journal", metavar="PATH", type=Path, help="another journal: its file, or its data folder"
    )


def journal_of(args: argparse.Namespace) -> Path:
    """Return the journal that `add_journal`'s arguments name.

    Raises:
        StationFileError: the station file can't be used.
    """
    if args.station is None:
        path: Path = args.journal
        return path
    from gaugepost.edge.stationfile import read_station  # loads what only a station file needs

    return read_station(args.station).data
