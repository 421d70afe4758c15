"""`gaugepost prepare`: what it takes, what it writes, and when there is nothing to do."""

from __future__ import annotations

import argparse
import contextlib
import sys
import time
from pathlib import Path

from gaugepost.commands.view.progress import progress_of
from gaugepost.core.errors import JournalError
from gaugepost.edge.journal import Reader
from gaugepost.edge.kept.snapshot import AHEAD, FILE_NAME, Snapshot

_EPILOG = f"""\
How the bench stands follows from every record of its journal. A service keeps that in {FILE_NAME}, so a start
takes a second or two. A program whose rules for it are others does not rely on that file: its first start goes through
the whole journal once, 18 s or so for a million records, and no gauge is heard meanwhile.

This does it beforehand, with the new program, while the old one is still at work. What it finds goes into
{AHEAD} beside the journal; the journal itself is only read. The Debian package calls it at an update.
Called again it goes on from there. Deleting the file costs nothing but that time.

example, where the new program was installed in a folder of its own:
  /srv/gaugepost-new/bin/gaugepost prepare /var/lib/gaugepost
  stop the old service, start the new one

exit code: 0, 2 where the journal can't be read or nothing could be written, and why is said
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Go through a journal ahead of an update, so that the start after it is short."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("data", type=Path, help="the station's data folder")


def run(args: argparse.Namespace) -> int:
    """Prepare, print what was done on stdout; return the exit code that the help explains."""
    begun = time.monotonic()
    try:
        with contextlib.closing(Reader(args.data)) as reader:
            snapshot = Snapshot(args.data, reader, ahead=True)
            state = snapshot.restore(progress_of("applied"), keep=True)
            problem = "" if snapshot.fits else snapshot.save(state)
    except JournalError as error:
        print(f"gaugepost prepare: {error}", file=sys.stderr)
        return 2
    if not snapshot.whole:
        problem = f"records are missing in it; `gaugepost verify {args.data}` says which"
    if problem:
        print(f"gaugepost prepare: nothing was written: {problem}", file=sys.stderr)
        return 2
    if snapshot.fits:
        print(f"nothing to prepare: {FILE_NAME} fits this program")
    else:
        print(f"prepared {state.sequence} records in {time.monotonic() - begun:.0f} s, in {snapshot.path}")
    return 0
