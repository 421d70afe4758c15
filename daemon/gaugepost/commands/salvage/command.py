"""`gaugepost salvage`: what it takes, what it tells, and what is to be done next."""

from __future__ import annotations

import argparse
import sys
import uuid
from pathlib import Path

from gaugepost import __version__
from gaugepost.commands.view.progress import progress
from gaugepost.core.errors import JournalError
from gaugepost.core.record import FORMAT
from gaugepost.edge.clock import Clock
from gaugepost.edge.journal import Owner, Salvaged, salvage

MOST_TOLD = 20

_EPILOG = f"""\
The damaged journal is only read. Keep it: what can't be salvaged today may be tomorrow. Its log (journal.db-wal) must
lie beside it, because the latest records are in there.

A record is kept where its hash proves it. After a gap that can't be proven for the first record; it is kept where it
is in order by itself, and listed. Everything kept has the sequence, id and hash that it had, so what was published
before is not published as something new, and heads that were noted still prove it. What is recorded from now on
belongs to a new epoch: no new record gets the id of a lost one.

When the station starts on the new journal, every gauge must be checked: what happened in a gap is unknown. So is what
was in hand: say lot, piece and characteristic again.

how to go on, with the data directory /var/lib/gaugepost:
  stop the station
  gaugepost salvage /var/lib/gaugepost /var/lib/gaugepost-new
  gaugepost verify /var/lib/gaugepost-new
  move journal.db, journal.db-wal and journal.db-shm out of /var/lib/gaugepost to where they are kept
  move /var/lib/gaugepost-new/journal.db there instead; leave deliveries.db, which knows what was delivered
  start the station

A backup that is whole is brought back with `gaugepost restore`.

exit code: 0 every record that the file shows is kept, 1 some are lost, 2 nothing could be done
(journals of format {FORMAT})
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Copy what is whole of a damaged journal, in order, into a new one with a new epoch."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("damaged", type=Path, help="the file journal.db, or the data directory it lies in")
    parser.add_argument(
        "new",
        type=Path,
        help="a folder without a journal, or a file that is not there (*.db); the folder that it lies in has to be",
    )
    parser.add_argument(
        "--epoch",
        type=_uuid,
        help="the damaged journal's epoch, where it no longer says so: the first 36 characters of its ids",
    )
    parser.add_argument("--station", help="the station's name, where the journal no longer says so")


def run(args: argparse.Namespace) -> int:
    """Salvage, print how it came out on stdout; return the exit code that the help explains."""
    if (args.epoch is None) != (args.station is None):
        print("gaugepost salvage: write --epoch and --station together, or neither", file=sys.stderr)
        return 2
    owner = None if args.epoch is None else Owner(args.epoch, args.station)
    try:
        done = salvage(
            args.damaged, args.new, Clock()(), program=__version__, owner=owner, progress=progress()
        )
    except JournalError as error:
        print(f"gaugepost salvage: {error}", file=sys.stderr)
        return 2
    print(_told(done))
    return 1 if done.lost else 0


def _told(done: Salvaged) -> str:
    lines = [
        f"station  {done.station}",
        f"epoch    {done.epoch} from record {done.last + 1} on, {done.epoch_before} before it",
        f"kept     {done.count} records, {done.first} to {done.last}",
        f"lost     {done.lost} before record {done.last}; whatever came after it, the file doesn't show",
    ]
    lines += [f"missing  {each}" for each in done.missing[:MOST_TOLD]]
    if len(done.missing) > MOST_TOLD:
        lines.append(
            f"         and {len(done.missing) - MOST_TOLD} more ranges; all are in record {done.last + 1}"
        )
    if done.unproven:
        named = ", ".join(map(str, done.unproven[:MOST_TOLD])) + (" …" if done.unproven[MOST_TOLD:] else "")
        lines.append(f"unproven {named}: kept, but the one before is missing, so no hash speaks for it")
    if done.unreadable:
        lines.append(f"disk     {done.unreadable} pages could not be read: copy the file from that disk soon")
    lines.append(f"written  {done.path}; `gaugepost verify {done.path}` proves it")
    return "\n".join(lines)


def _uuid(text: str) -> str:
    try:
        return str(uuid.UUID(text))
    except ValueError as cause:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no epoch; write it as 6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11"
        ) from cause
