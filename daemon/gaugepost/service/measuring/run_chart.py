"""A characteristic's last measurements in order, with what happened to its gauges between them."""

from __future__ import annotations

from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind
from gaugepost.core.setup import CharacteristicEntry, Combine
from gaugepost.core.shown import digits, unit_of, word
from gaugepost.service.facade import Running
from gaugepost.service.measuring.shown import limits, with_shown
from gaugepost.service.views import Document

MOST = 1000
_BETWEEN = (Kind.MASTERING, Kind.CHECK, Kind.REPORT)
_POINT = (
    "id", "sequence", "kind", "measured_at", "gauge", "position", "lot", "piece", "attempt", "operator", "unit",
    "value", "lower", "upper", "lower_acceptance", "upper_acceptance", "verdict", "decision",
)  # fmt: skip
_NEEDED = (*_POINT, "code", "value_mm")
"""What is read of each record that may be a point."""


def document(running: Running, name: str, gauge: str | None, lot: str | None, last: int) -> Document:
    """Return limits, points and marks of a characteristic. Reads the disk: for a thread of its own.

    A point is what was judged: a reading, or the result of several. What was voided, amended or judged again stays,
    and says so. A mark is a mastering, a check or a report of a gauge, after the point before it.
    """
    state, reader = running.recorder.state, running.reader
    entry = state.set_up.characteristics[name]
    kind = Kind.READING if entry.combine is Combine.EACH else Kind.RESULT
    kinds = (kind, Kind.AMENDMENT, Kind.REJUDGED)
    found = reader.latest(last, _NEEDED, kinds=kinds, characteristic=name, gauge=gauge, lot=lot)
    points = [_point(running, each) for each in found if _is_point(each, kind)]
    return {
        "characteristic": name,
        "feature": entry.feature.value,
        "limits": limits(entry),
        "rule": str(entry.rule) if entry.rule else None,
        "points": points,
        "marks": _marks(running, entry, found, gauge),
        "forms": _forms(running, name, lot) if entry.places else [],
        "places": _places(entry),
    }


def _is_point(entry: Entry, kind: Kind) -> bool:
    record = entry.record
    return record.kind in (kind, Kind.AMENDMENT) or record.code == kind


def _point(running: Running, entry: Entry) -> Document:
    whole = publish(entry, running.reader.epoch, running.station.name)
    shown_as = {"value": digits(whole) or None, "unit": unit_of(whole).value}
    by = running.recorder.state.replaced.get(entry.sequence)
    after = None if by is None else running.reader.entry(by)
    return {
        **{name: whole[name] for name in _POINT if name in whole},
        "word": word(whole),
        "shown": shown_as,
        "replaced": None if by is None else "replaced" if after is None else after.record.kind.value,
    }


def _marks(
    running: Running, entry: CharacteristicEntry, found: list[Entry], gauge: str | None
) -> list[Document]:
    if not found:
        return []
    between: list[Entry] = []
    for named in (gauge,) if gauge else entry.gauges:
        latest = running.reader.latest(MOST, kinds=_BETWEEN, gauge=named)
        between += [each for each in latest if each.sequence > found[0].sequence]
    return [_mark(running, each) for each in sorted(between, key=lambda each: each.sequence)]


def _mark(running: Running, entry: Entry) -> Document:
    record = entry.record
    return {
        "id": running.id_of(entry.sequence),
        "sequence": entry.sequence,
        "kind": record.kind.value,
        "code": record.code,
        "gauge": record.gauge,
        "master": record.master,
    }


def _forms(running: Running, name: str, lot: str | None) -> list[Document]:
    """Return the last pieces' forms, each with the sizes that show it, place by place."""
    reader, replaced = running.reader, running.recorder.state.replaced
    made: list[Document] = []
    for entry in reader.latest(20, kinds=(Kind.FORM,), characteristic=name, lot=lot):
        if entry.sequence in replaced:
            continue
        members = [reader.entry(each) for each in entry.record.members or ()]
        whole = with_shown(publish(entry, reader.epoch, running.station.name))
        form: Document = {
            key: whole[key] for key in ("id", "lot", "piece", "reasons", "shown") if key in whole
        }
        made.append({**form, "sizes": [_point(running, each) for each in members if each is not None]})
    return made


def _places(entry: CharacteristicEntry) -> list[Document]:
    return [
        {
            "position": name,
            "angle": None if place.angle_deg is None else str(place.angle_deg),
            "depth": None if place.depth_mm is None else str(place.depth_mm),
        }
        for name, place in (entry.places or {}).items()
    ]
