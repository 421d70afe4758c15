"""`gaugepost export`: a journal's records as a table or as lines of JSON, all of them or those that are asked for."""

from __future__ import annotations

import argparse
import contextlib
import csv
import errno
import itertools
import json
import os
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TextIO

from gaugepost.commands.journal_asked import period_of
from gaugepost.commands.view.progress import progress_of
from gaugepost.contract import cell
from gaugepost.core.errors import JournalError, ValueRefused
from gaugepost.core.publication import Published, publish
from gaugepost.core.record import COLUMNS, NUMBER_OF, Kind
from gaugepost.edge.files import MOUNT_OR_MAKE, written
from gaugepost.edge.journal import Archive, Reader, Wanted, is_archive

_EPILOG = f"""\
A period runs from --since, which is inside it, to --until. A day (2026-11-01) is a day in the station's time zone, and
--until a day means to its end. A time (2026-11-01T06:00, or with an offset or Z: 2026-11-01T05:00:00Z) is in the
station's time zone where it has no offset, and --until a time means up to it and without it.

Numbers are exact and written with a point. In CSV, text that a spreadsheet would take for a formula gets an
apostrophe before it, and lists are joined by "; ".

{textwrap.fill("kinds: " + ", ".join(Kind), 110)}

example, one night shift's readings of one bore:
  gaugepost export /var/lib/gaugepost --format csv --characteristic "bore A" --kind reading \\
      --since 2026-11-01T22:00 --until 2026-11-02T06:00 --output bore-a.csv

exit code: 0, 2 where the journal can't be read or an argument can't be understood, 3 where the output can't be written,
141 where whoever reads it stopped reading
"""
_STOPPED_READING = 128 + 13  # what a shell shows for a program that SIGPIPE ended


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Write a journal's records to a file or to stdout; a running station's too."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "journal", type=Path, help="the file journal.db, the data directory it lies in, or an archive"
    )
    parser.add_argument(
        "--format", choices=["csv", "jsonl"], required=True, help="a table, or one JSON object a line"
    )
    parser.add_argument("--since", metavar="TIME", help="a day or a time; see below")
    parser.add_argument("--until", metavar="TIME", help="a day or a time; see below")
    parser.add_argument("--piece", metavar="NAME", help="only this piece (name its --lot too)")
    parser.add_argument("--lot", metavar="NAME", help="only this lot")
    parser.add_argument("--characteristic", metavar="NAME", help="only this characteristic")
    parser.add_argument("--gauge", metavar="NAME", help="only this gauge")
    parser.add_argument(
        "--kind",
        action="append",
        choices=list(map(str, Kind)),
        metavar="KIND",
        help="only this kind; may be repeated",
    )
    parser.add_argument("--columns", type=_columns, metavar="A,B,C", help="only these names, in this order")
    parser.add_argument("--output", type=Path, metavar="FILE", help="write here, whole or not at all")


def run(args: argparse.Namespace) -> int:
    """Write the records that are asked for; return the exit code that the help explains."""
    try:
        reader: Reader | Archive = Archive(args.journal) if is_archive(args.journal) else Reader(args.journal)
    except JournalError as error:
        return _failed(error, 2)
    try:
        wanted = _wanted(args, reader)
        found = itertools.count()
        records = (each for each, _ in zip(_published(reader, wanted, args.columns), found, strict=False))
        with _output(args.output) as stream:
            _WRITERS[args.format](stream, records, args.columns or COLUMNS)
        if next(found) == 0:
            print("no record is what was asked for: look at the names and the period", file=sys.stderr)
    except (JournalError, ValueRefused) as error:
        return _failed(error, 2)
    except BrokenPipeError:
        # Nothing more can go there, not even what Python flushes at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _STOPPED_READING
    except OSError as error:
        return _failed(_unwritten(args.output, error), 3)
    finally:
        reader.close()
    return 0


def _wanted(args: argparse.Namespace, reader: Reader | Archive) -> Wanted:
    wanted = Wanted(
        kinds=args.kind, gauge=args.gauge, characteristic=args.characteristic, lot=args.lot, piece=args.piece
    )
    since_ms, until_ms = period_of(args, reader)
    if since_ms is not None:
        wanted["since_ms"] = since_ms
    if until_ms is not None:
        wanted["until_ms"] = until_ms
    return wanted


def _published(
    reader: Reader | Archive, wanted: Wanted, columns: tuple[str, ...] | None
) -> Iterator[dict[str, Published]]:
    show = progress_of("read up to record")
    last = 0 if show is None else reader.head()[0]  # an archive is read from beginning to end for it
    if columns is None or isinstance(reader, Archive):
        entries = reader.replay(**wanted)
    else:
        entries = reader.replay(only=NUMBER_OF.keys() & columns, **wanted)
    for number, entry in enumerate(entries):
        record = publish(entry, reader.epoch, reader.station)
        yield record if columns is None else {name: record[name] for name in columns if name in record}
        if show is not None and number % 500 == 0:
            show(entry.sequence, last)
    if show is not None:
        show(last, last)


def _write_csv(stream: TextIO, records: Iterable[dict[str, Published]], columns: tuple[str, ...]) -> None:
    writer = csv.writer(stream)  # RFC 4180: commas, CRLF, quotes only where needed
    writer.writerow(columns)
    writer.writerows([cell(record.get(name)) for name in columns] for record in records)


def _write_jsonl(stream: TextIO, records: Iterable[dict[str, Published]], columns: tuple[str, ...]) -> None:
    for record in records:
        stream.write(json.dumps(record, ensure_ascii=False, separators=(",", ":")) + "\n")


_WRITERS: dict[str, Callable[[TextIO, Iterable[dict[str, Published]], tuple[str, ...]], None]] = {
    "csv": _write_csv,
    "jsonl": _write_jsonl,
}


@contextlib.contextmanager
def _output(path: Path | None) -> Iterator[TextIO]:
    """Lend a stream in UTF-8: stdout, or a new file that takes its name when all of it is on the disk."""
    if path is None:
        with open(sys.stdout.fileno(), "w", encoding="utf-8", newline="", closefd=False) as stream:
            yield stream
        return
    with written(path) as stream:
        yield stream


def _columns(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(","))
    unknown = [name for name in names if name not in COLUMNS]
    if unknown:
        raise argparse.ArgumentTypeError(
            f"no column is called {', '.join(unknown)}; there are: {', '.join(COLUMNS)}"
        )
    return names


def _unwritten(output: Path | None, error: OSError) -> JournalError:
    """Return what to tell of an output that can't be written: nothing of a named file is there then."""
    where = "the output" if output is None else str(output)
    if output is not None and error.errno == errno.ENOENT:
        return JournalError(
            f"{where} can't be written: there is no folder {output.parent}", hint=MOUNT_OR_MAKE
        )
    full = error.errno in (errno.ENOSPC, errno.EDQUOT)
    hint = (
        "free space on that disk"
        if full
        else "name a file in a folder that is there, and that you may write to"
    )
    return JournalError(f"{where} can't be written: {error.strerror or error}", hint=hint)


def _failed(error: Exception, code: int) -> int:
    print(f"gaugepost export: {error}", file=sys.stderr)
    return code
