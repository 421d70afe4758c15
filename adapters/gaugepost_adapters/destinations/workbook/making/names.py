"""Names of a new sheet's cells, and the lines of the station file that use them. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from gaugepost_adapters.destinations.workbook.making.blocks import Block

SHEET, PIECES, LOTS = "Inspection", "pieces", "lots"
LAST = {"lot": "last_lot", "operator": "last_operator", "measured_at": "last_measured_at"}
LIMITS = ("lower", "upper", "limits")


def name_of(block: Block, what: str) -> str:
    """Return the defined name of what a block shows, or of one of its limits."""
    return f"{block.name}_{what}"


def lines(blocks: Sequence[Block], name: str, file: str, *, by_lot: bool) -> Iterator[str]:
    """Yield the table of the destination `name`, that fills the workbook `file`, or one for each lot made from it."""
    yield f"[destinations.{name}]"
    yield 'kind = "workbook"'
    if by_lot:
        yield f"file = {_text(file.removesuffix('.xlsx') + '-{lot}.xlsx')}"
        yield f"template = {_text(file)}"
    else:
        yield f"file = {_text(file)}"
    yield f"pieces = {_text(PIECES)}"
    if not by_lot:
        yield f"lots = {_text(LOTS)}"
    yield f"cells = {{ {', '.join(f'{cell} = {_text(shows)}' for shows, cell in LAST.items())} }}"
    for block in blocks:
        yield ""
        yield f"[[destinations.{name}.fill]]"
        yield f"characteristic = {_text(block.characteristic)}"
        if block.positions:
            yield f"positions = [{', '.join(map(_text, block.positions))}]"
        if block.reading:
            yield f"reading = {block.reading}"
        for shows in dict.fromkeys(field.shows for field in block.fields):
            yield f"{shows} = {_text(name_of(block, shows))}"
        for limit, key in zip((block.lower, block.upper, 0), LIMITS, strict=True):
            if limit is not None:
                yield f"{key} = {_text(name_of(block, key))}"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
