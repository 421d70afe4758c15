"""What is at hand at the bench, in one document: the last measurement, what comes next, the piece, the lot."""

from __future__ import annotations

from gaugepost.core.bench.schedule import calibrations_coming, checks_coming
from gaugepost.core.bench.standing import standing
from gaugepost.core.bench.state import State
from gaugepost.core.publication import publish
from gaugepost.core.record import Kind
from gaugepost.service import views
from gaugepost.service.facade import Running
from gaugepost.service.measuring.lot import LotInHand, Measured
from gaugepost.service.measuring.progress import cell, row, worst
from gaugepost.service.measuring.shown import with_shown
from gaugepost.service.measuring.upcoming import following_piece, upcoming, zone
from gaugepost.service.views import Document

MOST_PIECES = 200
"""Pieces of a lot that are listed, the last ones."""
_USED = (Kind.READING, Kind.MASTERING_BEGUN, Kind.CHECK_BEGUN)
_ENDS = (Kind.MASTERING, Kind.CHECK)


class AtHand:
    """The documents of one running station. Reads the disk: for a thread, one call at a time."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self._lot = LotInHand(running.reader, running.station.name)
        self._cells: dict[str | None, tuple[tuple[int, int, int], list[Document]]] = {}

    def now(self, gauge: str | None) -> Document:
        """Return what is measured with a gauge, or with the one that was used last."""
        running = self._running
        state, now = running.recorder.state, running.now()
        self._lot.follow(state.lot, running.growth.head)
        named = gauge or self._used(state)
        common: Document = {
            "head": running.growth.head,
            "epoch": running.reader.epoch,
            "recording": running.recorder.recording,
            "problem": running.recorder.problem or None,
            "tags": views.tags(state),
            "next_piece": following_piece(state),
            "gauges": list(state.gauges),
            "gauge": named,
            "piece": self._piece(state),
        }
        if named is None:
            return {**common, "next": None, "last": None, "judged": False, "reasons": [], "due_soon": []}
        reasons = standing(state, named, now)
        going = state.gauges[named].procedure
        coming = upcoming(state, named)
        entry = state.set_up.characteristics.get(str(coming["characteristic"]))
        if entry is not None:
            coming["zone"] = zone(state, named, entry, now)
        return {
            **common,
            "connected": state.set_up.gauges[named].link in state.links,
            "judged": not reasons,
            "reasons": list(reasons),
            "due_soon": [
                *checks_coming(state, named, now, running.station.zone),
                *calibrations_coming(state, named, now),
            ],
            "procedure": views.procedure(going) if going else None,
            "next": coming,
            "last": self._last(named),
            "outcome": self._latest(named, _ENDS),
        }

    def lot(self) -> Document:
        """Return the lot in hand as a table: characteristics, and a row of words for every piece."""
        running = self._running
        state = running.recorder.state
        self._lot.follow(state.lot, running.growth.head)
        characteristics = state.set_up.characteristics
        named = [piece for piece in self._lot.pieces if piece is not None]
        rows = [
            {
                "piece": piece,
                "cells": (cells := self._row(state, piece)),
                "word": _summed(cells),
            }
            for piece in named[-MOST_PIECES:]
        ]
        return {
            "lot": state.lot,
            "piece": state.piece,
            "characteristics": list(characteristics),
            "pieces": rows,
            "earlier": max(0, len(named) - MOST_PIECES),
        }

    def _used(self, state: State) -> str | None:
        # One kind at a time, so that an index answers however many temperatures lie between.
        latest = [entry for kind in _USED for entry in self._running.reader.latest(1, kinds=(kind,))]
        used = max(latest, key=lambda entry: entry.sequence).record.gauge if latest else None
        return used if used in state.gauges else next(iter(state.gauges), None)

    def _last(self, gauge: str) -> Document | None:
        """Return the last measurement of a gauge: the result where its last reading made one."""
        latest = self._running.reader.latest(1, kinds=(Kind.READING, Kind.RESULT), gauge=gauge)
        if not latest:
            return None
        known = self._lot.measured.get(latest[0].sequence)
        if known is not None:
            return {**known.document, "replaced": known.replaced, "suspect": known.suspect}
        published = publish(latest[0], self._running.reader.epoch, self._running.station.name)
        by = self._running.recorder.state.replaced.get(latest[0].sequence)
        return {**with_shown(published), "replaced": None if by is None else "replaced", "suspect": False}

    def _latest(self, gauge: str, kinds: tuple[Kind, ...]) -> Document | None:
        latest = self._running.reader.latest(1, kinds=kinds, gauge=gauge)
        if not latest:
            return None
        published = publish(latest[0], self._running.reader.epoch, self._running.station.name)
        return {
            name: published[name]
            for name in ("kind", "id", "sequence", "code", "master", "reasons", "measured_at")
            if name in published
        }

    def _piece(self, state: State) -> Document | None:
        if state.piece is None:
            return None
        measured = list(self._lot.pieces.get(state.piece, {}).values())
        rows = [row(entry, measured) for entry in state.set_up.characteristics.values()]
        return {
            "piece": state.piece,
            "characteristics": rows,
            "done": bool(rows) and all(each["done"] for each in rows),
            "word": _summed(rows),
        }

    def _row(self, state: State, piece: str | None) -> list[Document]:
        """Return a piece's cells, made again only where something of it may have changed."""
        measured: dict[int, Measured] = self._lot.pieces.get(piece, {})
        key = (self._lot.turn, len(measured), id(state.set_up))
        known = self._cells.get(piece)
        if known is None or known[0] != key:
            every = list(measured.values())
            made = [cell(entry, every) for entry in state.set_up.characteristics.values()]
            self._cells[piece] = known = key, made
        return known[1]


def _summed(cells: list[Document]) -> str | None:
    """Return one word for a piece: a bad one as soon as it is known, a good one where all is there."""
    found = worst(str(each["word"] or "") for each in cells)
    if found in ("accepted", "in-limits") and not all(each["done"] for each in cells):
        return None
    return found
