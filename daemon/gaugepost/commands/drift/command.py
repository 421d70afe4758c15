"""The command: a journal in; a table, a chart, JSON or CSV out."""

from __future__ import annotations

import argparse
import contextlib
import csv
import json
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

from gaugepost.commands.drift.table import lines
from gaugepost.commands.journal_asked import add_journal, add_period, journal_of, period_of, set_up_of
from gaugepost.contract import cell
from gaugepost.core.drift import BY, What, document, grouped, points_of
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import SetUp
from gaugepost.edge.journal import Archive, Reader
from gaugepost.edge.journal.drift import archives_of, read_points

_EPILOG = """\
examples:
  gaugepost drift --station bench.toml
  gaugepost drift --station bench.toml --gauge bore-38 --since 2026-11-01 --what deviation
  gaugepost drift --journal /backup/bench --by gauge,operator --csv > checks.csv
  gaugepost drift --station bench.toml --archive /media/archives/bench-1-81204.archive.xz

The offset of a gauge that is preset anew before each mastering only says how it was preset: its deviations at checks
tell how it drifts. Offsets are those at 20 °C where temperatures were known, and stand apart where they were not.
A trend is the slope of a straight line by least squares; it needs four values over an hour or more. Deviations begin
anew with each mastering: their trend is the one within masterings.
exit code: 0, or 2 where something is not understood or the journal can't be read
"""
_COLUMNS = (
    "sequence", "measured_at", "what", "gauge", "contact_set", "master", "operator", "value_mm", "limit_mm", "failed",
    "notes",
)  # fmt: skip


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = (
        "Show how gauges' offsets at masterings and their deviations at checks went over time: mean, standard "
        "deviation, trend per day, and a run chart."
    )
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_journal(parser)
    parser.add_argument(
        "--archive",
        metavar="FILE",
        type=Path,
        action="append",
        default=[],
        help="an archive of that journal, read before it; may be repeated",
    )
    parser.add_argument("--gauge", metavar="NAME", help="only this gauge")
    parser.add_argument("--contact-set", metavar="NAME", help="only with this contact set on")
    parser.add_argument("--master", metavar="NAME", help="only on this master (two joined by +)")
    parser.add_argument("--operator", metavar="NAME", help="only what this person did")
    add_period(parser)
    parser.add_argument("--what", choices=[each.value for each in What], help="one of the two alone")
    parser.add_argument(
        "--by",
        type=_by,
        metavar="A,B",
        default=("gauge", "contact_set", "master"),
        help="what a series is of one of: gauge, contact-set, master, operator (default: the first three)",
    )
    parser.add_argument("--no-chart", action="store_true", help="the table alone")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="one JSON object, with every value")
    form.add_argument("--csv", action="store_true", help="every value, a row each")


def run(args: argparse.Namespace) -> int:
    """Print what was asked for; return 0. Raises `GaugepostError` where it can't be."""
    with contextlib.closing(Reader(journal_of(args))) as reader:
        set_up, (since_ms, until_ms) = set_up_of(reader), period_of(args, reader)
        sources: list[Reader | Archive] = [*archives_of(reader, args.archive), reader]
        points = [
            point
            for source in sources
            for point in read_points(
                source,
                [What(args.what)] if args.what else list(What),
                gauge=args.gauge,
                contact_set=args.contact_set,
                master=args.master,
                operator=args.operator,
                since_ms=since_ms,
                until_ms=until_ms,
            )
        ]
    if args.csv:
        rows = csv.DictWriter(sys.stdout, _COLUMNS)
        rows.writeheader()
        rows.writerows(
            {key: cell(value) for key, value in point.items()} for point in points_of(tuple(points))
        )
        return 0
    series = grouped(points, args.by)
    if args.json:
        print(json.dumps({"series": [document(each) for each in series]}, ensure_ascii=False))
    elif not series:
        print("no mastering or check that is asked for is in this journal")
    else:
        print(*lines(series, _unit(set_up), ZoneInfo(set_up.zone), charts=not args.no_chart), sep="\n")
    return 0


def _unit(set_up: SetUp) -> Unit:
    """Return what small lengths are shown in: µin where every drawing is in inches, else µm."""
    drawn = {each.unit for each in set_up.characteristics.values()}
    return Unit.MICROINCH if drawn == {Unit.INCH} else Unit.MICROMETRE


def _by(text: str) -> tuple[str, ...]:
    names = tuple(name.strip().replace("-", "_") for name in text.split(","))
    known = ", ".join(each.replace("_", "-") for each in BY)
    for name in names:
        if name not in BY:
            raise argparse.ArgumentTypeError(f"{name!r} is nothing that a series is of; there are: {known}")
    return tuple(dict.fromkeys(names))
