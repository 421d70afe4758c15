"""`gaugepost restore`: what it takes, what it refuses, and what is to be done next."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from gaugepost import __version__
from gaugepost.commands.view.progress import progress
from gaugepost.core.errors import JournalError
from gaugepost.edge.clock import Clock
from gaugepost.edge.journal import restore

_EPILOG = """\
The backup is copied, proven record by record, and begins a new epoch: records that the station made after the backup
may have been sent, and keep their ids for themselves. What is in the backup keeps its ids, so nothing is sent twice
where deliveries.db is still in the folder.

Stop the station first. A journal that is in the folder is only replaced with --replace, and then it is moved into a
folder beside it, not deleted. When the station starts, every gauge is to be checked before its next verdict, and lot,
piece and characteristic are to be said again: what happened after the backup is unknown.

example:
  gaugepost restore /media/backups/friday.db /var/lib/gaugepost --replace

exit code: 0, 2 where nothing was restored, and why is said
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Make a journal of a backup, in a new epoch."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("file", type=Path, help="the backup")
    parser.add_argument("folder", type=Path, help="the data folder that the journal is to lie in")
    parser.add_argument(
        "--replace", action="store_true", help="move a journal that is there aside, into a folder beside it"
    )
    parser.add_argument("--json", action="store_true", help="print what was done as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Restore, print how it came out on stdout; return 0, or 2 where nothing was restored."""
    try:
        report, epoch, aside = restore(
            args.file,
            args.folder,
            Clock()(),
            program=__version__,
            replace=args.replace,
            progress=None if args.json else progress(),
        )
    except JournalError as error:
        print(f"gaugepost restore: {error}", file=sys.stderr)
        return 2
    if args.json:
        told = {
            "station": report.station,
            "epoch": epoch,
            "epoch_before": str(report.epoch),
            "records": report.count,
            "last": report.sequence,
            "moved_aside": None if aside is None else str(aside),
        }
        print(json.dumps(told, ensure_ascii=False))
        return 0
    print(f"station  {report.station}")
    print(f"epoch    {epoch} from record {report.sequence + 1} on, {report.epoch} before it")
    print(f"records  {report.count}, up to record {report.sequence}; whatever came after them is not there")
    if aside is not None:
        print(f"before   {aside} holds the journal that was there")
    print(f"written  {args.folder / 'journal.db'}; start the station, and check every gauge")
    return 0
