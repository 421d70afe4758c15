"""`gaugepost archive`: what it takes, what it leaves, and what proves the file later."""

from __future__ import annotations

import argparse
import json
import re
import sys
from pathlib import Path

from gaugepost import __version__
from gaugepost.commands.journal_asked import parse_bound, zone_of
from gaugepost.commands.view.progress import progress, progress_of
from gaugepost.core.bench.state import needed
from gaugepost.core.errors import JournalError, SettingsError, ValueRefused
from gaugepost.edge.clock import Clock
from gaugepost.edge.evidence.keys import signing
from gaugepost.edge.journal import Reader
from gaugepost.edge.journal.archive import Archive, Moved, UpTo, move
from gaugepost.edge.kept.snapshot import Snapshot
from gaugepost.edge.kept.state import archived_state, packed
from gaugepost.edge.undelivered import undelivered

_EPILOG = """\
Stop the station first. What was measured before the day is moved from the journal to one file in the folder of
archives, whole and in its order. The file is read back and proven before anything leaves the journal, and whatever
interrupts this, no record is lost: call it again.

What stays, and is said: what a destination has not got or has refused, masterings and checks in force, readings that
wait to be combined, the set-up in force, and everything after them.

The journal keeps the head of what was moved, so `gaugepost verify` still proves all of it as one chain; verify each
archive too. Attempts are counted on. `gaugepost export ARCHIVE` reads an archive like a journal; the service's own
pages and interfaces show what the journal has. Keep archives on two disks: nothing makes them again.

Where the station signs checkpoints, its key signs the archive's end too: whoever has the public key proves the archive
with nothing else. It is taken from checkpoint-key.pem in the data folder; --key names another file.

example, in January:
  gaugepost archive /var/lib/gaugepost /media/archives --before 2025-01-01
  gaugepost verify /media/archives/brass-bench-1-182311.archive.xz
  gaugepost export /media/archives/brass-bench-1-182311.archive.xz --format csv --lot L-0311

exit code: 0, 1 where nothing can be moved, 2 where it failed or was not done to its end, and why is said
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Move records of years ago from the journal into a compressed file."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("journal", type=Path, help="the station's data folder")
    parser.add_argument(
        "archives", type=Path, help="the folder that the archive is written to; it has to be there"
    )
    upto = parser.add_mutually_exclusive_group(required=True)
    upto.add_argument(
        "--before", metavar="DAY", help="what was measured before this day, in the station's time zone"
    )
    upto.add_argument(
        "--through",
        metavar="RECORD",
        type=_sequence,
        help="up to this record's number, whatever the clock said: for journals whose clock was once wrong",
    )
    parser.add_argument(
        "--without",
        action="append",
        default=[],
        metavar="DESTINATION",
        help="a destination that is gone for good, and needs nothing any more; may be repeated",
    )
    parser.add_argument(
        "--key", type=Path, metavar="FILE", help="the private key that signs the archive's end"
    )
    parser.add_argument("--json", action="store_true", help="print what was done as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Archive, print what was moved on stdout; return the exit code that the help explains."""
    folder = args.journal if args.journal.is_dir() else args.journal.parent

    def stays(reader: Reader) -> list[tuple[int, str]]:
        state = Snapshot(folder, reader).restore(progress_of("applied"))
        return [*needed(state), *undelivered(folder, reader.epoch, args.without)]

    try:
        sign = signing(args.key, folder)
        reader = Reader(args.journal)
        try:
            upto = (
                UpTo(through=args.through)
                if args.before is None
                else UpTo(parse_bound(args.before, zone_of(reader), is_end=False))
            )
        finally:
            reader.close()
        moved = move(
            args.journal,
            args.archives,
            upto,
            stays,
            archived_state,
            packed,
            Clock()(),
            program=__version__,
            progress=None if args.json else progress(),
            sign=sign,
        )
    except (JournalError, SettingsError, ValueRefused) as error:
        print(f"gaugepost archive: {error}", file=sys.stderr)
        return 2
    if isinstance(moved, str):
        print(f"nothing was moved: {moved}")
        return 1
    print(_document(moved) if args.json else _told(moved))
    return 0


def _sequence(text: str) -> int:
    if not re.fullmatch(r"[1-9][0-9]{0,15}", text, re.ASCII):
        raise argparse.ArgumentTypeError(f"{text!r} is no record's number; write it as 2000000")
    return int(text)


def _document(moved: Moved) -> str:
    return json.dumps(
        {
            "file": str(moved.file),
            "bytes": moved.file.stat().st_size,
            "first": moved.first,
            "last": moved.last,
            "records": moved.count,
            "before": f"{moved.first - 1}:{moved.before.hex()}",
            "head": f"{moved.last}:{moved.head.hex()}",
            "limit": moved.limit or None,
            "is_smaller": moved.is_smaller,
        },
        ensure_ascii=False,
    )


def _told(moved: Moved) -> str:
    size = moved.file.stat().st_size
    lines = [
        f"archived {moved.count} records, {moved.first} to {moved.last}",
        f"follows  {moved.first - 1}:{moved.before.hex()}",
        f"head     {moved.last}:{moved.head.hex()}",
        f"written  {moved.file} ({size / 1e6:.1f} MB, {size / moved.count:.0f} bytes a record), read back and sound",
    ]
    if (signed := Archive(moved.file).signed_end()) is not None:
        lines.append(f"signed   its end, by the key {signed.key.hex()}")
    if moved.limit:
        lines.append(f"stays    {moved.limit}")
    if not moved.is_smaller:
        lines.append(
            "space    the journal's file stays as large as it is; records to come use what is free in it"
        )
    return "\n".join(lines)
