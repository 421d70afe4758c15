"""`gaugepost verify`: proves that a journal holds what was written, all of it, in its order."""

from __future__ import annotations

import argparse
import contextlib
import re
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from gaugepost.commands.key.coverage import told, write_out
from gaugepost.commands.sign.told import told_of_people
from gaugepost.commands.view.progress import progress, progress_of
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.bench.tracing.deriving import rederived
from gaugepost.core.errors import JournalError, SettingsError
from gaugepost.core.publication import rfc3339
from gaugepost.core.record import DERIVATION, Entry
from gaugepost.edge.decoding import Decoders
from gaugepost.edge.evidence.coverage import cover
from gaugepost.edge.evidence.keys import read_public
from gaugepost.edge.evidence.reading import all_held, in_order
from gaugepost.edge.journal import Archive, Reader, Report, examine, is_archive
from gaugepost.edge.journal.lookup import Lookup
from gaugepost.edge.kept.state import archived_state

MOST_DIFFERENCES = 20

_EPILOG = """\
Records that were moved to an archive are proven there: verify each archive too. Its head is the one that the journal
prints for it, and the chain goes on from there.

The journal of a running station may be verified; records that arrive meanwhile are left for the next time.
Note the head that is printed elsewhere (on paper, in a quality record): given later as --head it proves
that nothing up to there was cut off or written anew. Any published record's sequence and hash will do.

With --public-key, which the station hands out (`gaugepost key show`), the checkpoints in it are held against that key:
which records they cover, and how many come after the last. Nothing else is needed, and no word of the station's.
What a checkpoint signs can't be changed, left out or put elsewhere without its private key; what comes after the last
one can, and can be cut off. --write has another program confirm the last one:

  gaugepost verify FILE --public-key station.pub.pem --write shown
  openssl pkeyutl -verify -rawin -pubin -inkey shown/key.pem -in shown/checkpoint.txt -sigfile shown/checkpoint.sig

People's signatures (`gaugepost sign`) are held against what they sign without being asked for. Where that was moved to
an archive before, name it: --archive, once for each, without a gap up to this file.

example:
  gaugepost verify /var/lib/gaugepost --head 18231:9c0f...
  gaugepost verify brass-bench-1-182311.archive.xz --public-key station.pub.pem
  gaugepost verify /var/lib/gaugepost --numbers

exit code: 0 sound, 1 not sound, 2 could not be read
"""
_DAMAGED_JOURNAL = (
    "not sound: keep this file as it is, and restore a backup that verifies,",
    "or copy what is whole into a new journal: gaugepost salvage JOURNAL NEW_FOLDER",
)
_DAMAGED_ARCHIVE = (
    "not sound: keep this file as it is, and take another copy of the archive that verifies;",
    "of this one, what comes before the fault can still be read: gaugepost export ARCHIVE --format csv > FILE",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Find any change, gap or reordering in a journal, and print its head."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "journal", type=Path, help="the file journal.db, the data directory it lies in, or an archive"
    )
    parser.add_argument(
        "--head",
        type=_head,
        metavar="SEQ:HASH",
        help="a head noted earlier, that must still be in the journal",
    )
    parser.add_argument(
        "--public-key",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="a station's public key, that its checkpoints are held against; may be repeated",
    )
    parser.add_argument(
        "--write",
        type=Path,
        metavar="FOLDER",
        help="write the last checkpoint that holds there: its text, its signature and its public key",
    )
    parser.add_argument(
        "--archive",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="an archive of records before these, for signatures on them; may be repeated",
    )
    parser.add_argument(
        "--numbers",
        action="store_true",
        help="also derive every number again, from the frame's bytes and the set-up in force",
    )


def run(args: argparse.Namespace) -> int:
    """Verify, print what was found on stdout; return 0 for sound, 1 for not sound, 2 for not readable."""
    try:
        keys = _keys(args)
        if is_archive(args.journal):
            report = Archive(args.journal).examine(args.head, progress())
        else:
            report = examine(args.journal, args.head, progress())
    except (JournalError, SettingsError) as error:
        print(f"gaugepost verify: {error}", file=sys.stderr)
        return 2
    print(_told(report, args.head, of_archive=is_archive(args.journal)))
    if not report.sound:
        return 1
    code = _signed(args.journal, report, keys, args.write) if keys else 0
    if report.signatures:
        code = max(code, _by_people(args.journal, args.archive))
    return max(code, _numbers(args.journal, report.sequence) if args.numbers else 0)


def _by_people(journal: Path, archives: list[Path]) -> int:
    """Hold people's signatures against what they sign, print how they stand; return the exit code."""
    opened: Reader | Archive = Archive(journal) if is_archive(journal) else Reader(journal)
    with contextlib.closing(opened) as reader:
        found = all_held(in_order(reader, map(Archive, archives)))
    print(*told_of_people(found), sep="\n")
    return 1 if any(each.holds is False for each in found) else 0


def _keys(args: argparse.Namespace) -> list[bytes]:
    if args.write is not None and not args.public_key:
        raise SettingsError(
            "--write goes with --public-key", hint="name the station's public key, which says what holds"
        )
    return [read_public(path) for path in args.public_key]


def _signed(journal: Path, report: Report, keys: list[bytes], folder: Path | None) -> int:
    """Hold checkpoints against public keys, print what they cover; return the exit code."""
    opened: Reader | Archive = Archive(journal) if is_archive(journal) else Reader(journal)
    with contextlib.closing(opened) as reader:
        coverage = cover(reader, report, keys)
    print(*told(coverage, report), sep="\n")
    if folder is not None and coverage.held:
        print(write_out(coverage.held[-1], folder))
    return 0 if coverage.sound else 1


def _numbers(journal: Path, last: int) -> int:
    """Derive what frames led to, print how it came out; return 0 where it is all the same."""
    shown = progress_of("derived") or (lambda done, last: None)
    same, found, rules = 0, list[Difference](), Counter[int]()

    def counted(entries: Iterable[Entry]) -> Iterator[Entry]:
        for entry in entries:
            if entry.record.derivation is not None:
                rules[entry.record.derivation] += 1
            yield entry

    opened: Reader | Archive = Archive(journal) if is_archive(journal) else Reader(journal)
    with contextlib.closing(opened) as reader:
        for each in differences(counted(reader.replay()), Decoders(), archived_state(reader)):
            if isinstance(each, int):
                same += 1
                shown(each, last)
            else:
                found.append(each)
        again, differing, archived = _judged_again(reader, last)
    same, found = same + again, found + differing
    shown(last, last)
    for difference in found[:MOST_DIFFERENCES]:
        print(f"number   record {difference.sequence} {difference.finding}")
    if len(found) > MOST_DIFFERENCES:
        print(f"         and {len(found) - MOST_DIFFERENCES} more")
    for rule, count in sorted(rules.items()):
        print(
            f"rules    {count} records made by derivation {rule}{'' if rule == DERIVATION else ', held to it'}"
        )
    if archived:
        print(f"archived {archived} judged again from what is archived, not derived again")
    print(f"numbers  {same} records derived again come out the same, {len(found)} do not")
    return 1 if found else 0


def _judged_again(reader: Reader | Archive, last: int) -> tuple[int, list[Difference], int]:
    """Return how many records of what was judged again come out the same, which do not, how many can't be derived."""
    if isinstance(reader, Archive):
        return 0, [], 0
    came = list(rederived(Lookup(reader), last))
    found = [each for each in came if isinstance(each, Difference)]
    return sum(isinstance(each, int) for each in came), found, came.count(None)


def _head(text: str) -> tuple[int, bytes]:
    found = re.fullmatch(r"([0-9]{1,18}):([0-9a-fA-F]{64})", text)
    if not found:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a head; write it as verify printed it: the sequence, a colon, 64 hexadecimal digits"
        )
    return int(found.group(1)), bytes.fromhex(found.group(2))


def _told(report: Report, head: tuple[int, bytes] | None, *, of_archive: bool) -> str:
    lines = [f"station  {report.station}", f"epoch    {report.epoch}", f"records  {report.count}"]
    lines += [f"salvaged {earlier}, up to record {last}" for last, earlier in report.epoch.earlier]
    lines += [
        f"archived {part.first} to {part.last}, head {part.last}:{part.hash.hex()}, in {part.file}"
        for part in report.archived
    ]
    if report.known_missing:
        lines.append(f"missing  {report.known_missing} that could not be salvaged")
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
    return "\n".join([*lines, *(_DAMAGED_ARCHIVE if of_archive else _DAMAGED_JOURNAL)])
