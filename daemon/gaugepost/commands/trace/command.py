"""The command: a journal and what turned out otherwise in, a list to act on out."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path

from gaugepost.commands.journal_asked import add_journal, add_period, journal_of, period_of
from gaugepost.commands.trace.table import lines, write_csv
from gaugepost.core.bench.tracing.asked import KEYS, ROOMS, known_or_refused, revision_from
from gaugepost.core.bench.tracing.dependants import Asked, What, known_names
from gaugepost.core.bench.tracing.document import counts, document
from gaugepost.core.bench.tracing.tracing import Trace, trace
from gaugepost.core.errors import ValueRefused
from gaugepost.core.publication import parse_record_id, rfc3339
from gaugepost.edge.collector import without_collector
from gaugepost.edge.journal import Reader
from gaugepost.edge.journal.lookup import Lookup

RECORDING_S = 600.0
"""How long a station may take to record ten thousands."""
_NEVER_MS = 4_102_444_800_000
"""The year 2100."""

_EPILOG = """\
examples: a ring comes back from calibration 3 µm smaller; a thermometer showed 0.3 K too much; a ring was dropped
  gaugepost trace master ring-38 --station bench.toml --size "37.9982 mm" --since 2026-05-01 --csv recall.csv
  gaugepost trace thermometer air --station bench.toml --correction="-0.3 K"
  gaugepost trace master ring-38 --journal /backup/bench --since 2026-11-03T06:00

and what to do about it, at a running station
  gaugepost trace master ring-38 --station bench.toml --size "37.9982 mm" --since 2026-05-01 --rejudge "calibrated anew"
  gaugepost trace master ring-38 --station bench.toml --since 2026-11-03T06:00 --suspect "the ring was dropped"

A mastering goes by its record's id or sequence. What is corrected counts as if it had been so from the beginning; a
period only says what is listed. A day is one of the station's time zone, and --until a day means to its end. What
earlier records corrected stays so. --rejudge adds a record beside each measurement that comes out otherwise and changes
none; a second time it adds nothing. --suspect marks all that depended on it, or, with a correction, what was measured
around checks that fail by it. Both go to every destination.

exit code: 0 where something was recorded, or no decision and no check comes out otherwise; 1 where some do; 2 where
something is not understood, or the station can't be reached
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = (
        "List every result that depended on a master, a gauge, a mastering or a thermometer, and what its value and "
        "decision become once a certificate or a thermometer is corrected."
    )
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "what",
        metavar="WHAT",
        choices=[each.value for each in What],
        help="master, gauge, mastering or thermometer",
    )
    parser.add_argument(
        "name", metavar="NAME", help="its name in the station file; for a mastering its record"
    )
    add_journal(parser)
    add_period(parser)
    parser.add_argument("--size", metavar="LENGTH", help="the master's size as calibrated now")
    parser.add_argument("--uncertainty", metavar="LENGTH", help="the expanded uncertainty of its certificate")
    parser.add_argument("--coverage-factor", metavar="K", help="and its coverage factor")
    parser.add_argument(
        "--correction", metavar="KELVIN", help="what is to be added to what the thermometer showed"
    )
    parser.add_argument(
        "--master",
        metavar="NAME",
        help="whose certificate is corrected, where a gauge or a mastering is traced",
    )
    parser.add_argument(
        "--thermometer", metavar="NAME", help="which thermometer is corrected, where something else is traced"
    )
    parser.add_argument("--rejudge", metavar="REASON", help="record what comes out otherwise, and why")
    parser.add_argument("--suspect", metavar="REASON", help="mark it as suspect, and why")
    parser.add_argument("--at", metavar="URL", help="where that station listens, if not where its file says")
    parser.add_argument("--operator", help="who, where that is not the operator in hand")
    parser.add_argument("--all", action="store_true", help="list what stays as it is too")
    parser.add_argument("--json", action="store_true", help="one JSON object, with every row")
    parser.add_argument("--csv", metavar="FILE", type=Path, help="write every row into this file")


def run(args: argparse.Namespace) -> int:
    """Print the trace, have recorded what is to be; return 1 where a decision or a check is another and nothing was."""
    records = args.rejudge is not None or args.suspect is not None
    if records and args.station is None and args.at is None:
        raise ValueRefused(
            "another journal can only be read",
            hint="name the running station to record it there, with --station FILE or --at URL",
        )
    with contextlib.closing(Reader(journal_of(args))) as reader:
        made = _traced(reader, args)
        if args.csv is not None:
            _write(args.csv, made, reader.epoch)
        if args.json:
            print(json.dumps(document(made, reader.epoch), ensure_ascii=False))
        else:
            print(*lines(made, reader.epoch, every=args.all), sep="\n")
    if records:
        for text in _recorded(args, made):
            print(text, file=sys.stderr if args.json else sys.stdout)
        return 0
    said = counts(made)
    return 1 if said["decision_changed"] or said["checks_changed"] else 0


def _write(path: Path, made: Trace, epoch: str) -> None:
    try:
        write_csv(path, made, epoch)
    except OSError as cause:
        raise ValueRefused(f"{path} can't be written: {cause.strerror}", hint="name another file") from cause


def _recorded(args: argparse.Namespace, made: Trace) -> Iterator[str]:
    """Have the running station record it; yield its answers."""
    from gaugepost.commands.talk import named, service_of

    if args.at is not None:
        args.station = None
    service = service_of(args)
    asked = made.asked
    period = {"since": asked.since_ms, "until": asked.until_ms}
    said = {key: text for key in KEYS if (text := getattr(args, key)) is not None}
    said |= {key: rfc3339(ms) for key, ms in period.items() if ms is not None}
    if args.operator is not None:
        said["operator"] = args.operator
    for act, reason in (("suspect", args.suspect), ("rejudgement", args.rejudge)):
        if reason is not None:
            if act == "suspect" and asked.what is What.GAUGE and "until" not in said:
                said = {"until": rfc3339(_NEVER_MS), **said}  # all of it, not only since its last good check
            path = named(ROOMS[asked.what], args.name, act)
            yield str(service.send("POST", path, said | {"reason": reason}, wait_s=RECORDING_S)["text"])


def _traced(reader: Reader, args: argparse.Namespace) -> Trace:
    what, lookup = What(args.what), Lookup(reader)
    last, _ = reader.head()
    since, until = period_of(args, reader)
    sequence = _sequence(args.name) if what is What.MASTERING else 0
    name = "" if sequence else args.name
    revision = revision_from(what, name, {key: getattr(args, key) for key in KEYS})
    known = known_names(lookup, last)
    if name:
        known_or_refused(what.value, name, known[what])
    for kind, named in ((What.MASTER, revision.masters), (What.THERMOMETER, revision.thermometers)):
        for each in named:
            known_or_refused(kind.value, each, known[kind])
    with without_collector():
        return trace(lookup, Asked(what, name, sequence, since, until), revision, last)


def _sequence(text: str) -> int:
    if text.isascii() and text.isdecimal() and len(text) < 16:
        return int(text)
    try:
        return parse_record_id(text)[1]
    except ValueRefused as cause:
        raise ValueRefused(
            f"{text[:80]!r} is no record of a mastering",
            hint="write its id or its sequence: a reading has it under `mastering`",
        ) from cause
