"""What came of the last mastering or check of a gauge: with its readings, its figures, and the reasons that speak."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.state import State
from gaugepost.core.mastering import mean
from gaugepost.core.publication import publish, record_id, rfc3339
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind
from gaugepost.core.shown import fine
from gaugepost.core.shown.numbers import uncertainty
from gaugepost.edge.journal import Reader
from gaugepost.service.mastering.lengths import width
from gaugepost.service.mastering.read import of_check, of_mastering, shown_mm
from gaugepost.service.views import Document

_ENDS = (Kind.MASTERING, Kind.CHECK, Kind.ABANDONED)
_BEGINNINGS = (Kind.MASTERING_BEGUN, Kind.CHECK_BEGUN)


def outcome(state: State, reader: Reader, station: str, gauge: str, unit: Unit) -> Document | None:
    """Return what ended last; None before anything did. Reads the disk: for a thread of its own."""
    latest = reader.latest(1, kinds=_ENDS, gauge=gauge)
    if not latest:
        return None
    entry = latest[0]
    record = entry.record
    said: Document = {
        "id": record_id(reader.epoch, entry.sequence),
        "sequence": entry.sequence,
        "kind": record.kind.value,
        "code": record.code,
        "at": rfc3339(record.measured_at),
        "master": record.master,
        "operator": record.operator,
        "reasons": list(record.reasons or ()),
        "text": record.text,
        "spread": None if record.spread_mm is None else width(record.spread_mm, unit),
        "sets": _sets(state, reader, entry, unit),
        "suspect": None,
    }
    if record.kind is Kind.CHECK and record.error_mm is not None and record.limit_mm is not None:
        expanded = uncertainty(publish(entry, reader.epoch, station))
        said |= {
            "error": fine(record.error_mm, unit),
            "limit": width(record.limit_mm, unit),
            "uncertainty": expanded or None,
        }
    doubt = reader.entry(entry.sequence + 1)
    if doubt is not None and doubt.record.kind is Kind.SUSPECT and doubt.record.gauge == gauge:
        said["suspect"] = {
            "id": record_id(reader.epoch, doubt.sequence),
            "count": doubt.record.count,
            "text": doubt.record.text,
        }
    return said


def _sets(state: State, reader: Reader, ended: Entry, unit: Unit) -> list[Document]:
    """Return its readings by master; nothing where the gauge or a master is in the station file no more."""
    record = ended.record
    entry = state.set_up.gauges.get(record.gauge or "")
    names = (record.master or "").split("+")
    masters = [state.set_up.masters[name] for name in names if name in state.set_up.masters]
    read = [found for each in record.members or () if (found := reader.entry(each)) is not None]
    if entry is None or record.kind is Kind.ABANDONED or len(masters) < len(names) or not read:
        return []
    begun = [
        each
        for each in reader.latest(2, kinds=_BEGINNINGS, gauge=entry.name)
        if each.sequence < read[0].sequence
    ]
    wanted = (begun[-1].record.count if begun else None) or len(read)
    if record.kind is Kind.MASTERING:
        return of_mastering(entry, masters, read[: wanted * len(masters)], wanted, unit, reader.epoch)
    middle = mean(tuple(shown_mm(each) for each in read))
    error_mm = record.error_mm or Decimal(0)

    def off(shown: Decimal) -> Decimal:
        return error_mm + entry.sense * (shown - middle)

    return [of_check(entry, masters[0], read, off, wanted, unit, reader.epoch)]
