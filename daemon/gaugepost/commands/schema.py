"""`gaugepost schema`: the station file's schema, so that an editor completes keys and underlines mistakes."""

from __future__ import annotations

import argparse
import json

from gaugepost.edge.stationfile.schema import station_schema


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's description to `parser`; it has no arguments."""
    parser.description = (
        "Print the JSON schema of the station file, with the links, decoders and destinations installed here. "
        "As a file beside a station file, an editor can use it while you type."
    )


def run(_args: argparse.Namespace) -> int:
    """Print the schema; return 0."""
    print(json.dumps(station_schema(), ensure_ascii=False, indent=2))
    return 0
