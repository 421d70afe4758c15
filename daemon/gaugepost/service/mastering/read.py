"""What was read of masters: each reading as shown, how far off it is, and the spread as it grows. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal

from gaugepost.core.mastering import predicted_mm, spread
from gaugepost.core.publication import record_id
from gaugepost.core.quantity import Unit, exact_text, to_mm
from gaugepost.core.record import Entry
from gaugepost.core.setup import GaugeEntry, MasterEntry
from gaugepost.core.shown import fine
from gaugepost.service.mastering.lengths import size_text, width
from gaugepost.service.views import Document


def shown_mm(entry: Entry) -> Decimal:
    """Return the indication of a reading of a master in mm."""
    record = entry.record
    return to_mm(Decimal(record.indication or "0"), Unit(record.indication_unit or Unit.MM))


def of_mastering(
    entry: GaugeEntry,
    masters: Sequence[MasterEntry],
    read: Sequence[Entry],
    wanted: int,
    unit: Unit,
    epoch: str,
) -> list[Document]:
    """Return for each master what was read of it, against what the display was to show; `read` without a movement."""
    sets = []
    for at, master in enumerate(masters):
        expected = predicted_mm(entry, master, masters[0])
        taken = read[at * wanted : (at + 1) * wanted]

        def off(shown: Decimal, expected: Decimal = expected) -> Decimal:
            return shown - expected

        made = _set(master, taken, off, entry.preset_limit_mm, unit, epoch)
        limit = entry.spread_limit_mm
        spreads = spread(tuple(shown_mm(each) for each in taken)) if taken else None
        sets.append(
            made
            | {
                "expected": size_text(expected, unit),
                "spread_limit": None if limit is None else width(limit, unit),
                "spread_limit_mm": None if limit is None else exact_text(limit),
                "wide": limit is not None and spreads is not None and spreads > limit,
                "wanted": wanted,
            }
        )
    return sets


def of_check(
    entry: GaugeEntry,
    master: MasterEntry,
    read: Sequence[Entry],
    error_mm: Callable[[Decimal], Decimal],
    wanted: int,
    unit: Unit,
    epoch: str,
) -> Document:
    """Return what was read of a master as a part, by its deviation from the master's size."""
    made = _set(master, read, error_mm, entry.check_limit_mm, unit, epoch)
    return made | {
        "expected": size_text(master.size_mm, unit),
        "spread_limit": None,
        "wide": False,
        "wanted": wanted,
    }


def _set(
    master: MasterEntry,
    read: Sequence[Entry],
    off_mm: Callable[[Decimal], Decimal],
    limit_mm: Decimal,
    unit: Unit,
    epoch: str,
) -> Document:
    taken = [shown_mm(each) for each in read]
    readings = [
        {
            "id": record_id(epoch, each.sequence),
            "sequence": each.sequence,
            "shown": f"{each.record.indication} {each.record.indication_unit}",
            "away": fine(off_mm(mm), unit),
            "away_mm": exact_text(off_mm(mm)),
            "beyond": abs(off_mm(mm)) > limit_mm,
        }
        for each, mm in zip(read, taken, strict=True)
    ]
    spreads = spread(tuple(taken)) if taken else None
    return {
        "master": master.name,
        "size": size_text(master.size_mm, unit),
        "readings": readings,
        "limit": width(limit_mm, unit),
        "limit_mm": exact_text(limit_mm),
        "spread": None if spreads is None else width(spreads, unit),
        "spread_mm": None if spreads is None else exact_text(spreads),
    }
