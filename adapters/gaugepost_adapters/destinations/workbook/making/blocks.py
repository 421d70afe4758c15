"""What a new sheet has for each characteristic: its cells in order, what they are called, and what they show. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.contract.sheets import CharacteristicEntry, Combine, from_mm

_SUMMED = ("verdict", "decision")
"""What is one cell a piece, however many places are measured: the worst of them."""
_HEADS = {
    "value": "value", "deviation": "deviation", "verdict": "verdict", "decision": "decision",
    "conformity": "conformity", "probability": "probability", "uncertainty_mm": "U, mm", "measured_at": "measured at",
    "operator": "operator", "gauge": "gauge", "attempt": "attempt", "reasons": "reasons", "id": "id",
}  # fmt: skip
_WIDTHS = {"verdict": 12, "decision": 14, "measured_at": 17, "conformity": 24, "reasons": 40, "id": 44}
_DECIMALS = {"probability": 6, "uncertainty_mm": 5}


@dataclass(frozen=True, slots=True)
class Field:
    """One cell of each piece."""

    shows: str
    head: str
    width: int
    format: str
    """As a spreadsheet writes number formats; "General" for text."""


@dataclass(frozen=True, slots=True)
class Block:
    """The fields of one characteristic, or of one of its readings."""

    characteristic: str
    title: str
    name: str
    """What its defined names begin with."""
    about: str
    positions: tuple[str, ...]
    reading: int | None
    fields: tuple[Field, ...]
    format: str
    """Number format of its values and limits."""
    upper: float | None
    nominal: float | None
    lower: float | None

    def places(self, shows: str) -> tuple[int, int]:
        """Return the first field that shows something, and how many there are."""
        found = [at for at, field in enumerate(self.fields) if field.shows == shows]
        return found[0], len(found)


def blocks(characteristics: Sequence[CharacteristicEntry], shown: Sequence[str]) -> list[Block]:
    """Return the blocks of a sheet, in the order of the station file; repeats that are judged each have one each."""
    used: set[str] = set()
    return [
        _block(entry, reading, shown, used)
        for entry in characteristics
        for reading in (range(1, entry.readings + 1) if _repeated(entry) else (None,))
    ]


def _repeated(entry: CharacteristicEntry) -> bool:
    return entry.combine is Combine.EACH and entry.readings > 1


def _block(entry: CharacteristicEntry, reading: int | None, shown: Sequence[str], used: set[str]) -> Block:
    positions = entry.positions if entry.combine is Combine.EACH else ()
    decimals = max(0, -_exponent(entry.step))
    number = "0." + "0" * decimals if decimals else "0"
    combined = f"{entry.combine} of {_count(entry)}" if entry.combine is not Combine.EACH else ""
    limits = (
        float(from_mm(size, entry.unit)) if size is not None else None
        for size in (entry.upper_mm, entry.nominal_mm, entry.lower_mm)
    )
    return Block(
        entry.name,
        f"{entry.name}, reading {reading}" if reading else entry.name,
        _name(entry.name + (f"_{reading}" if reading else ""), used),
        ", ".join(part for part in (str(entry.feature), str(entry.unit), combined) if part),
        positions,
        reading,
        tuple(_fields(shown, positions, number, decimals)),
        number,
        *limits,
    )


def _fields(shown: Sequence[str], positions: tuple[str, ...], number: str, decimals: int) -> Iterator[Field]:
    for name in shown:
        form = number if name in ("value", "deviation") else "General"
        if name in _DECIMALS:
            form = "0." + "0" * _DECIMALS[name]
        if name == "measured_at":
            form = "yyyy-mm-dd hh:mm"
        width = _WIDTHS.get(name, max(10, decimals + 8))
        for place in ("",) if name in _SUMMED or not positions else positions:
            head = place if place and name == "value" else " ".join(filter(None, (_HEADS[name], place)))
            yield Field(name, head, max(width, min(len(head) + 2, 30)), form)


def _count(entry: CharacteristicEntry) -> int:
    return entry.readings * max(1, len(entry.positions))


def _exponent(step: Decimal) -> int:
    exponent = step.normalize().as_tuple().exponent
    assert isinstance(exponent, int)  # a step is a number
    return exponent


def _name(text: str, used: set[str]) -> str:
    """Return a defined name's beginning that no other has: letters, digits and underscores, no digit first."""
    plain = re.sub(r"\W+", "_", text)
    plain = plain if re.match(r"[^\W\d]", plain) else f"_{plain}"
    found, number = plain, 1
    while found.casefold() in used:
        number += 1
        found = f"{plain}_{number}"
    used.add(found.casefold())
    return found
