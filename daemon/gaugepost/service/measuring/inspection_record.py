"""The record of a lot, or of one piece of it, as it is printed and filed: every measurement, and what made it count.

Numbers are those of the journal, as shown everywhere else. Gauges and masters are said as they were in force when
something was measured with them, not as the station file says today. Nothing that was measured is left out: what was
voided, amended or measured again stays, with who said so and why.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from gaugepost.core.evidence.signature import SPAN, document as document_of_signature
from gaugepost.core.publication import publish, record_id, rfc3339
from gaugepost.core.quantity import Unit, exact_text
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import CharacteristicEntry, GaugeEntry, MasterEntry, SetUp, from_document
from gaugepost.edge.evidence.signatures import held
from gaugepost.edge.journal import Reader
from gaugepost.service.facade import Running
from gaugepost.service.mastering.lengths import size_text, width
from gaugepost.service.measuring.lot import MOST, LotInHand, Measured
from gaugepost.service.measuring.progress import cell, word_of, worst
from gaugepost.service.measuring.shown import limits, with_shown
from gaugepost.service.views import Document

_SHOWN = (
    "id", "sequence", "kind", "measured_at", "characteristic", "position", "attempt", "operator", "gauge", "master",
    "verdict", "decision", "rule", "rule_parameter", "conformity", "reasons", "uncertainty_reasons", "remedy", "text",
    "requirements_not_judged", "shown",
)  # fmt: skip
_MOST_FORMS = 500


def document(running: Running, lot: str | None, piece: str | None) -> Document:
    """Return the record of a lot, or of one piece of it. Reads the disk: for a thread of its own."""
    reader, state = running.reader, running.recorder.state
    head, digest = reader.head()
    known = LotInHand(reader, running.station.name)
    known.follow(lot, head)
    pieces = {name: list(kept.values()) for name, kept in known.pieces.items() if piece in (None, name)}
    every = [one for kept in pieces.values() for one in kept]
    forms = _forms(running, lot, piece)
    named = {one.entry.record.characteristic for one in known.measured.values()}
    wanted = [entry for entry in state.set_up.characteristics.values() if entry.name in named]
    described = _Described(reader, [one.entry for one in every])
    return {
        "station": running.station.name,
        "zone": running.station.set_up.zone,
        "epoch": str(reader.epoch),
        "head": head,
        "head_hash": digest.hex(),
        "made_at": rfc3339(running.now().utc_ms),
        "lot": lot,
        "piece": piece,
        "characteristics": described.characteristics,
        "pieces": [_piece(running, wanted, name, kept, forms) for name, kept in pieces.items()],
        "gauges": described.gauges,
        "masters": described.masters,
        "masterings": _masterings(running, every),
        "signatures": list(_signatures(reader, lot, piece, [one.entry.sequence for one in every])),
        "left_out": len(known.measured) >= MOST,
    }


def _piece(
    running: Running,
    wanted: list[CharacteristicEntry],
    name: str | None,
    kept: list[Measured],
    forms: list[Entry],
) -> Document:
    """Return a piece with every measurement, and a cell for each characteristic that was measured of its lot.

    It is good once all of those are: one that was measured of others and not of this piece is still open.
    """
    cells = [cell(entry, kept) for entry in wanted]
    found = worst(str(each["word"] or "") for each in cells)
    done = all(each["done"] for each in cells)
    return {
        "piece": name,
        "cells": cells,
        "word": found if done or found not in ("accepted", "in-limits") else None,
        "measurements": [_measurement(running, one) for one in kept],
        "forms": [_form(running, entry) for entry in forms if entry.record.piece == name],
    }


def _measurement(running: Running, one: Measured) -> Document:
    said = {name: one.document[name] for name in _SHOWN if name in one.document}
    record = one.entry.record
    return {
        **said,
        "word": word_of(one) or None,
        "suspect": one.suspect,
        "combined": one.combined,
        "mastering": record.mastering,
        "members": list(record.members or ()),
        "replaced": _replaced(running, one.entry),
    }


def _replaced(running: Running, entry: Entry) -> Document | None:
    """Return what replaced a measurement: which record, who, when and why; None where it stands."""
    by = running.recorder.state.replaced.get(entry.sequence)
    after = None if by is None else running.reader.entry(by)
    if after is None:
        return None if by is None else {"kind": "replaced", "sequence": by}
    record = after.record
    return {
        "kind": record.kind.value,
        "sequence": after.sequence,
        "operator": record.operator,
        "at": rfc3339(record.measured_at),
        "text": record.text,
    }


def _forms(running: Running, lot: str | None, piece: str | None) -> list[Entry]:
    replaced = running.recorder.state.replaced
    found = running.reader.latest(_MOST_FORMS, kinds=(Kind.FORM,), lot=lot, piece=piece)
    return [each for each in found if each.sequence not in replaced and each.record.lot == lot]


def _form(running: Running, entry: Entry) -> Document:
    whole = with_shown(publish(entry, running.reader.epoch, running.station.name))
    return {
        key: whole[key] for key in ("id", "sequence", "characteristic", "reasons", "shown") if key in whole
    }


def _masterings(running: Running, every: Iterable[Measured]) -> list[Document]:
    """Return the masterings that measurements rest on."""
    said: list[Document] = []
    for sequence in sorted({at for one in every if (at := one.entry.record.mastering) is not None}):
        entry = running.reader.entry(sequence)
        if entry is None:
            said.append({"sequence": sequence})
            continue
        record = entry.record
        said.append(
            {
                "sequence": sequence,
                "id": record_id(running.reader.epoch, sequence),
                "gauge": record.gauge,
                "master": record.master,
                "at": rfc3339(record.measured_at),
                "operator": record.operator,
                "spread": None if record.spread_mm is None else width(record.spread_mm, Unit.MM),
                "reasons": list(record.reasons or ()),
            }
        )
    return said


def _signatures(
    reader: Reader, lot: str | None, piece: str | None, every: Collection[int]
) -> Iterator[Document]:
    """Yield the signatures on it: on the lot, a piece, one of its records, or a span that has some of them."""
    for entry in reader.replay(kinds=(Kind.SIGNATURE,)):
        record = entry.record
        on_it = record.lot == lot and (piece is None or record.piece in (None, piece))
        if record.code == SPAN:
            on_it = any((record.first or 0) <= each <= (record.last or 0) for each in every)
        if on_it:
            stands = held(reader, entry)
            yield document_of_signature(entry, reader.epoch, stands.holds, stands.since)


class _Described:
    """Gauges, masters and limits as the set-ups in force say; twice where one was edited meanwhile."""

    def __init__(self, reader: Reader, entries: list[Entry]) -> None:
        self.gauges: list[Document] = []
        self.masters: list[Document] = []
        self.characteristics: list[Document] = []
        known: dict[int, SetUp | None] = {}
        for entry in entries:
            record = entry.record
            at = record.set_up
            if at is None:
                continue
            if at not in known:
                found = reader.entry(at)
                known[at] = from_document(found.record.document) if found and found.record.document else None
            if (set_up := known[at]) is not None:
                self._add(set_up, record)

    def _add(self, set_up: SetUp, record: Record) -> None:
        if (gauge := set_up.gauges.get(record.gauge or "")) is not None:
            _once(self.gauges, _gauge(gauge))
        for name in (record.master or "").split("+"):
            if (master := set_up.masters.get(name)) is not None:
                _once(self.masters, _master(master))
        if (entry := set_up.characteristics.get(record.characteristic or "")) is not None:
            _once(self.characteristics, _characteristic(entry))


def _once(listed: list[Document], said: Document) -> None:
    if said not in listed:
        listed.append(said)


def _characteristic(entry: CharacteristicEntry) -> Document:
    return {
        "characteristic": entry.name,
        "feature": entry.feature.value,
        "size_modifier": entry.size_modifier,
        "rule": str(entry.rule) if entry.rule else None,
        "limits": limits(entry),
    }


def _gauge(entry: GaugeEntry) -> Document:
    return {
        "gauge": entry.name,
        "contact": entry.contact.value,
        "display": entry.display.value,
        "resolution": None if entry.resolution_mm is None else f"{exact_text(entry.resolution_mm)} mm",
        "maximum_error": None if entry.maximum_error_mm is None else width(entry.maximum_error_mm, Unit.MM),
        "due": None if entry.due_utc_ms is None else rfc3339(entry.due_utc_ms),
    }


def _master(entry: MasterEntry) -> Document:
    return {
        "master": entry.name,
        "serial": entry.serial,
        "size": size_text(entry.size_mm, Unit.MM),
        "uncertainty": None if entry.uncertainty_mm is None else width(entry.uncertainty_mm, Unit.MM),
        "coverage_factor": None if entry.coverage_factor is None else exact_text(entry.coverage_factor),
        "certificate": entry.certificate,
        "tolerance_class": entry.tolerance_class,
        "calibrated": None if entry.calibrated_utc_ms is None else rfc3339(entry.calibrated_utc_ms),
        "due": None if entry.due_utc_ms is None else rfc3339(entry.due_utc_ms),
    }
