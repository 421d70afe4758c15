"""`gaugepost backup`: what it takes, and what proves the file later."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from gaugepost.commands.view.progress import progress
from gaugepost.core.errors import JournalError, SettingsError
from gaugepost.edge.evidence.keys import signing
from gaugepost.edge.files import MOUNT_OR_MAKE
from gaugepost.edge.journal import backup
from gaugepost.edge.journal.copies.backup import Sign

_EPILOG = """\
The station may be running, and is not held up; what it records meanwhile is left for the next backup. The copy is read
back and proven record by record before it gets its name. An existing file is never written over.

Keep it on another disk. Note the head that is printed elsewhere: `gaugepost verify FILE --head SEQ:HASH` proves later
that it is that backup. To go back to it: `gaugepost restore FILE DATA_FOLDER`.

Where the station has a key for checkpoints (checkpoint-key.pem in the data folder, or --key), that signs the backup's
end too: whoever has the public key proves the backup with nothing else.

example:
  gaugepost backup /var/lib/gaugepost /media/backups          # named by station, day and last record
  gaugepost backup /var/lib/gaugepost /media/backups/friday.db

exit code: 0, 2 where there is no backup, and why is said
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = (
        "Copy a journal, of a running station too, into one file that is proven before it counts."
    )
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("journal", type=Path, help="the file journal.db, or the data folder it lies in")
    parser.add_argument(
        "file",
        type=Path,
        help="a file that is not there yet, as friday.db, or a folder for it; the folder has to be there",
    )
    parser.add_argument(
        "--key", type=Path, metavar="FILE", help="the private key that signs the backup's end"
    )
    parser.add_argument("--json", action="store_true", help="print what was done as one JSON object")


def _signing(named: Path | None, folder: Path) -> Sign | None:
    """Return what signs. A key that nobody named and that can't be used keeps nobody from a backup."""
    try:
        return signing(named, folder)
    except SettingsError as error:
        if named is not None:
            raise
        print(f"not signed: {error}", file=sys.stderr)
        return None


def _refuse_missing_folder(file: Path) -> None:
    """Refuse what reads as a folder and is none: the disk is not mounted, and a file of that name would help nobody.

    Raises:
        JournalError: it has no ending, and is not there.
    """
    if not file.suffix and not file.exists():
        raise JournalError(
            f"there is no folder {file}",
            hint=f"{MOUNT_OR_MAKE}, or name a file, as {file}.db",
        )


def run(args: argparse.Namespace) -> int:
    """Make the backup, print its head on stdout; return 0, or 2 where there is none."""
    try:
        _refuse_missing_folder(args.file)
        folder = args.journal if args.journal.is_dir() else args.journal.parent
        sign = _signing(args.key, folder)
        file, report = backup(args.journal, args.file, None if args.json else progress(), sign)
    except (JournalError, SettingsError) as error:
        print(f"gaugepost backup: {error}", file=sys.stderr)
        return 2
    size = file.stat().st_size
    if args.json:
        told = {
            "file": str(file),
            "station": report.station,
            "epoch": str(report.epoch),
            "records": report.count,
            "bytes": size,
            "head": f"{report.sequence}:{report.head.hex()}",
        }
        print(json.dumps(told, ensure_ascii=False))
        return 0
    print(f"station  {report.station}")
    print(f"epoch    {report.epoch}")
    print(f"records  {report.count}")
    print(f"head     {report.sequence}:{report.head.hex()}")
    if sign is not None:
        print("signed   its end: `gaugepost verify FILE --public-key` proves all of it")
    print(f"written  {file} ({size / 1e6:.1f} MB), read back and sound")
    return 0
