"""Makes the station files of many benches: one template, one list with a row for each bench.

    python deploy/plant/stations.py deploy/plant/benches.csv deploy/plant/template.toml stations/

The list's first line names its columns; `bench` is the station's name and that of its file. In the template {{column}}
stands for what the row says there, inside a text: quotes and other signs in it are written as TOML wants them. Each
file is checked as `gaugepost check` does; with the first error nothing is written at all.
"""

from __future__ import annotations

import argparse
import csv
import json
import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

from gaugepost.core.errors import GaugepostError, ValueRefused
from gaugepost.edge.files import make, written
from gaugepost.edge.stationfile import read_station

_PLACE = re.compile(r"\{\{\s*(\w+)\s*\}\}")
_BENCH = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}", re.ASCII)


def main(words: list[str]) -> int:
    """Make them; print what is in the way, by row."""
    parser = argparse.ArgumentParser(
        prog="stations.py", description="Station files of many benches, from one list."
    )
    parser.add_argument("list", type=Path, help="CSV file with a row for each bench, and a column `bench`")
    parser.add_argument("template", type=Path, help="station file with {{column}} where benches differ")
    parser.add_argument("folder", type=Path, help="where the station files go; those of earlier are replaced")
    args = parser.parse_args(words)
    try:
        made = dict(files(_rows(args.list), args.template.read_text(encoding="utf-8")))
        wrong = [
            line for name, text in made.items() for line in _findings(args.folder / f"{name}.toml", text)
        ]
        if wrong:
            print(*wrong, sep="\n", file=sys.stderr)
            return 2
        make(args.folder.absolute())
        for name, text in made.items():
            with written(args.folder / f"{name}.toml") as stream:
                stream.write(text)
    except (OSError, UnicodeDecodeError) as cause:
        print(cause, file=sys.stderr)
        return 2
    except GaugepostError as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{len(made)} station files in {args.folder}")
    return 0


def files(rows: Iterator[tuple[int, Mapping[str, str]]], template: str) -> Iterator[tuple[str, str]]:
    """Yield each bench's name and the text of its station file.

    Raises:
        ValueRefused: a row lacks a column that the template has, or its bench's name can't be that of a file.
    """
    seen: set[str] = set()
    for line, row in rows:
        bench = row.get("bench", "")
        if not _BENCH.fullmatch(bench) or bench in seen:
            raise ValueRefused(
                f"line {line}: {bench!r} can't be the name of a bench and its file",
                hint="use letters, digits, dots, hyphens and underscores, each name once",
            )
        seen.add(bench)
        yield bench, _PLACE.sub(lambda place, row=row, line=line: _value(row, place[1], line), template)  # type: ignore[misc]


def _value(row: Mapping[str, str], column: str, line: int) -> str:
    if row.get(column) is None:
        raise ValueRefused(
            f"line {line}: nothing is said for {column}",
            hint=f"add a column {column}, or take it out of the template",
        )
    return json.dumps(row[column], ensure_ascii=False)[1:-1].replace("\x7f", "\\u007f")


def _rows(path: Path) -> Iterator[tuple[int, Mapping[str, str]]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        reader = csv.DictReader(stream)
        for row in reader:
            yield reader.line_num, row


def _findings(path: Path, text: str) -> list[str]:
    try:
        read_station(path, text=text)
    except GaugepostError as error:
        return str(error).split("\n")
    return []


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
