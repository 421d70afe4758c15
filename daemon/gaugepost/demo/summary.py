"""What the demo came to: pieces and verdicts, where everything lies, and whether the journal's chain holds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from gaugepost.commands.view import Style, clean, value_text, verdict_text
from gaugepost.core.errors import GaugepostError
from gaugepost.demo.broker import Broker, row
from gaugepost.demo.shop import Piece
from gaugepost.demo.stage import Published
from gaugepost.edge.journal import FILE_NAME, examine

CHARACTERISTICS = ("spool-bore", "guide-bore")
_LAST_ROWS = 12


def summary(
    folder: Path,
    measured: Sequence[tuple[Piece, str, Published]],
    wrong: Sequence[str],
    out: TextIO,
    style: Style,
    broker: Broker | None = None,
) -> int:
    """Print what came of the demo; return 0, or 1 where anything went otherwise than the story has it."""
    found = list(wrong)
    rows = [*_table(measured), "", *_places(folder, found, broker)]
    print("\n" + "\n".join(clean(row, style) for row in rows), file=out)
    for finding in found:
        print(
            *(clean(line, style) for line in f"NOT as it should be: {finding}".splitlines()),
            sep="\n",
            file=out,
        )
    if not found:
        print(
            "\n" + clean(f"Next: copy {folder / 'station.toml'}, describe your own bench in it,", style),
            file=out,
        )
        print("try it with `gaugepost check` and start it with `gaugepost run`.", file=out)
    out.flush()
    return 1 if found else 0


def _table(measured: Sequence[tuple[Piece, str, Published]]) -> list[str]:
    if not measured:
        return ["Nothing was measured."]
    by_piece: dict[str, dict[str, Published]] = {}
    for piece, characteristic, reading in measured:
        by_piece.setdefault(piece.name, {})[characteristic] = reading
    rows = [f"{'piece':<8}" + "".join(f"{name:<28}" for name in CHARACTERISTICS).rstrip()]
    for name, readings in list(by_piece.items())[-_LAST_ROWS:]:
        cells = [_cell(readings.get(characteristic)) for characteristic in CHARACTERISTICS]
        rows.append((f"{name:<8}" + "".join(f"{cell:<28}" for cell in cells)).rstrip())
    if len(by_piece) > _LAST_ROWS:
        rows.append(f"(the last {_LAST_ROWS} of {len(by_piece)} pieces)")
    return rows


def _cell(reading: Published | None) -> str:
    return f"{value_text(reading):>11}  {verdict_text(reading)}" if reading else ""


def _places(folder: Path, found: list[str], broker: Broker | None) -> list[str]:
    """Where journal and tables lie, and what `verify` says of the chain; what is wrong is added to `found`."""
    data = folder / "data"
    journal, tables = data / FILE_NAME, sorted(data.rglob("*.csv"))
    rows = [f"journal  {journal}", *(f"table    {table}" for table in tables)]
    if broker is not None:
        rows.append(row(broker, data, found))
    if not tables and not found:
        found.append(f"no CSV file is below {data}")
    try:
        report = examine(journal)
    except GaugepostError as error:
        found.append(str(error))
        return rows
    found.extend(report.findings)
    if report.sound:
        rows.append(
            f"chain    {report.count} records, each in its place; the last is {report.head.hex()[:16]}..."
        )
    return rows
