"""What stands of the records: which measurement a cell shows, after voids, amendments and further attempts. Pure.

Everything is worked out anew from all records that are known, in whatever order they came.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass

from gaugepost.contract import Publication

KINDS = ("reading", "result", "amendment", "rejudged", "void", "suspect", "lifted", "salvage")
"""Kinds of records that change what a sheet shows."""

Piece = tuple[str, str]
"""Lot and name; empty where nobody named one."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A measurement that stands, and whether a later check put it in doubt."""

    record: Publication
    order: tuple[int, int]
    """Epoch of the journal, counted as they were met, and sequence."""
    suspect: bool
    counted: tuple[int, int]
    """The same of the record that its attempt was counted with: what is judged again keeps that number."""
    epoch: str
    """Epoch of the journal that it was counted in."""
    earlier: Mapping[str, int]
    """Epochs that this one goes on from: up to that record each of them is the same journal."""

    @property
    def piece(self) -> Piece:
        """The piece it belongs to."""
        return piece_of(self.record)

    @property
    def combined(self) -> bool:
        """Whether it is a result, made of several readings or judged again."""
        kind = self.record["kind"]
        return kind == "result" or (kind == "rejudged" and self.record.get("code") == "result")

    @property
    def attempt(self) -> int:
        """The number of its attempt; 0 where nobody named a piece."""
        attempt = self.record.get("attempt")
        return attempt if isinstance(attempt, int) else 0

    def counts_with(self, later: Measured) -> bool:
        """Tell whether the attempts of both are counted in one journal; not across what a restore left behind."""
        return (
            self.epoch == later.epoch
            or self.counted[1] <= later.earlier.get(self.epoch, 0)
            or later.counted[1] <= self.earlier.get(later.epoch, 0)
        )

    def text(self, name: str) -> str:
        """Return a field as text; empty where it does not apply."""
        value = self.record.get(name)
        if isinstance(value, list):
            return "; ".join(map(str, value))
        return "" if value is None else str(value)


def is_measured(record: Publication) -> bool:
    """Tell whether a record is a measurement as it stands; a form that is judged again has no value of its own."""
    kind = record["kind"]
    return kind in ("reading", "result", "amendment") or (kind == "rejudged" and record.get("code") != "form")


def piece_of(record: Publication) -> Piece:
    """Return the piece that a record belongs to."""
    return str(record.get("lot") or ""), str(record.get("piece") or "")


def standing(records: Iterable[tuple[tuple[int, int], Publication]]) -> list[Measured]:
    """Return the measurements that nothing replaced, in the order of their records."""
    known = sorted(records, key=lambda each: each[0])
    by_id = {str(record["id"]): record for _, record in known}
    orders = {str(record["id"]): order for order, record in known}
    replaced = {str(record["replaces"]) for _, record in known if record.get("replaces")}
    doubts = [
        record
        for _, record in known
        if record["kind"] == "suspect" and record["id"] not in replaced  # else it was lifted
    ]
    earlier = _earlier(record for _, record in known if record["kind"] == "salvage")
    found = []
    for order, record in known:
        if is_measured(record) and record["id"] not in replaced:
            first = _first(record, by_id)
            suspect = any(_puts_in_doubt(doubt, first, earlier) for doubt in doubts)
            with_it = _first(record, by_id, ("rejudged",))
            epoch = _epoch(with_it)
            found.append(
                Measured(record, order, suspect, orders[str(with_it["id"])], epoch, earlier.get(epoch, {}))
            )
    return found


def _first(
    record: Publication, by_id: Mapping[str, Publication], through: Container[object] = KINDS
) -> Publication:
    """Return what records of the kinds `through` took the place of; where it is not known, the last one that is."""
    while record["kind"] in through and (before := by_id.get(str(record.get("replaces")))) is not None:
        record = before
    return record


def _epoch(record: Publication) -> str:
    return str(record["id"]).rpartition("-")[0]


def _earlier(salvaged: Iterable[Publication]) -> dict[str, dict[str, int]]:
    """Return, by epoch, the ones that it goes on from: up to that record each of them is the same journal."""
    before: dict[str, tuple[str, int]] = {}
    for record in salvaged:
        sequence = record["sequence"]
        if record.get("epoch") and record.get("epoch_before") and isinstance(sequence, int):
            before[str(record["epoch"])] = str(record["epoch_before"]), sequence - 1
    found: dict[str, dict[str, int]] = {}
    for epoch in before:
        at, last, found[epoch] = epoch, before[epoch][1], {}
        while at in before and before[at][0] not in found[epoch]:
            at, border = before[at]
            last = found[epoch][at] = min(last, border)
    return found


def _puts_in_doubt(doubt: Publication, record: Publication, earlier: Mapping[str, Mapping[str, int]]) -> bool:
    """Tell whether a failed check put this measurement in doubt: it is its gauge's, and in its range.

    A restored or salvaged journal has an epoch of its own and is one with the one before up to where it goes on.
    """
    first, last, sequence = doubt.get("first"), doubt.get("last"), record["sequence"]
    if not (isinstance(first, int) and isinstance(last, int) and isinstance(sequence, int)):
        return False
    of, its = _epoch(doubt), _epoch(record)
    if of != its:
        last = min(last, earlier.get(of, {}).get(its, 0))
    return doubt.get("gauge") == record.get("gauge") and first <= sequence <= last


def shown(measured: Iterable[Measured], position: str | None, reading: int | None) -> Measured | None:
    """Return what a cell shows of the measurements of one characteristic and piece.

    At a `position`, the last attempt's last reading, or that with the number `reading`. Without one (None), the last
    result, or where nothing is combined the last reading that was judged; what still waits to be combined is not shown.
    What a restore left behind counts until the place is measured again.
    """
    if position is not None:
        fit = [m for m in measured if not m.combined and m.text("position") == position]
    else:
        every = [m for m in measured if m.text("verdict")]
        results = [m for m in every if m.combined]
        fit = results or [m for m in every if not m.text("position")]
    if not fit:
        return None
    fit = _in_force(fit)
    last = max(m.attempt for m in fit)
    of_last = [m for m in fit if m.attempt == last]
    if reading is None:
        return of_last[-1]
    return of_last[reading - 1] if len(of_last) >= reading else None


def _in_force(fit: list[Measured]) -> list[Measured]:
    """Leave out what does not count any more: measured in a journal that a later measurement's does not go on from."""
    latest: dict[str, Measured] = {}
    left = set()
    for m in sorted(fit, key=lambda each: each.counted, reverse=True):
        if all(m.counts_with(later) for later in latest.values()):
            latest.setdefault(m.epoch, m)
        else:
            left.add(str(m.record["id"]))
    return [m for m in fit if str(m.record["id"]) not in left]


_WORST = ("reject", "suspect", "undecided", "accept")
_VERDICTS = ("undersize", "oversize", "not-judged", "in-limits")


def decision(measured: Measured) -> str:
    """Return the word for a decision cell."""
    return "suspect" if measured.suspect else measured.text("decision")


def summed_up(name: str, each: Iterable[Measured | None]) -> str:
    """Return one verdict or decision for several places: the worst; a good one only where every place has one."""
    words = [(decision(m) if name == "decision" else m.text(name)) if m else "" for m in each]
    order: Mapping[str, int] = {
        word: place for place, word in enumerate(_WORST if name == "decision" else _VERDICTS)
    }
    found = sorted((word for word in words if word), key=lambda word: order.get(word, -1))
    if not found or (not all(words) and found[0] in ("accept", "in-limits")):
        return ""
    return found[0]
