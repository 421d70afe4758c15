"""`gaugepost verify`: proves that a journal holds what was written, all of it, in its order."""

from __future__ import annotations

import argparse
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path

from gaugepost.core.errors import JournalError
from gaugepost.core.publication import rfc3339
from gaugepost.edge.journal import Report, examine

_EPILOG = """\
The journal of a running station may be verified; records that arrive meanwhile are left for the next time.
Note the head that is printed elsewhere (on paper, in a quality record): given later as --head it proves
that nothing up to there was cut off or written anew. Any published record's sequence and hash will do.

example:
  gaugepost verify /var/lib/gaugepost --head 18231:9c0f...

exit code: 0 sound, 1 not sound, 2 could not be read
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Find any change, gap or reordering in a journal, and print its head."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("journal", type=Path, help="the file journal.db, or the data directory it lies in")
    parser.add_argument(
        "--head",
        type=_head,
        metavar="SEQ:HASH",
        help="a head noted earlier, that must still be in the journal",
    )


def run(args: argparse.Namespace) -> int:
    """Verify, print what was found on stdout; return 0 for sound, 1 for not sound, 2 for not readable."""
    try:
        report = examine(args.journal, args.head, progress("verified"))
    except JournalError as error:
        print(f"gaugepost verify: {error}", file=sys.stderr)
        return 2
    print(_told(report, args.head))
    return 0 if report.sound else 1


def progress(verb: str) -> Callable[[int, int], None] | None:
    """Return what shows progress on stderr twice a second; None where stderr is no terminal."""
    if not sys.stderr.isatty():
        return None
    shown = 0.0

    def show(done: int, last: int) -> None:
        nonlocal shown
        ended = done >= last
        if ended or time.monotonic() - shown >= 0.5:
            shown = time.monotonic()
            print(f"\r\033[K{verb} {done} of {last}", end="\n" if ended else "", file=sys.stderr, flush=True)

    return show


def _head(text: str) -> tuple[int, bytes]:
    found = re.fullmatch(r"([0-9]{1,18}):([0-9a-fA-F]{64})", text)
    if not found:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a head; write it as verify printed it: the sequence, a colon, 64 hexadecimal digits"
        )
    return int(found.group(1)), bytes.fromhex(found.group(2))


def _told(report: Report, head: tuple[int, bytes] | None) -> str:
    lines = [f"station  {report.station}", f"epoch    {report.epoch}", f"records  {report.count}"]
    if report.earliest_ms is not None and report.latest_ms is not None:
        lines.append(f"span     {rfc3339(report.earliest_ms)} to {rfc3339(report.latest_ms)}")
    if report.sound:
        lines.append(f"head     {report.sequence}:{report.head.hex()}")
        lines.append(
            "sound" if head is None else f"sound, and holds the head of record {head[0]} that was given"
        )
        return "\n".join(lines)
    lines += [f"fault    {finding}" for finding in report.findings]
    if report.faults > len(report.findings):
        lines.append(f"         and {report.faults - len(report.findings)} more")
    lines.append("not sound: keep this file as it is, and restore a backup that verifies")
    return "\n".join(lines)
