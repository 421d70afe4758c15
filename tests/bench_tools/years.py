"""A journal of years, by the real writer as fast as it takes them: a shop of our own, four bores on every piece.

Readings are what the bench itself made of frames, each with its full budget; only piece, lot and time are moved on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from itertools import islice
from pathlib import Path

from gaugepost.core.bench.events import BeginCheck, BeginMastering, SetTags
from gaugepost.core.conformity import parse_rule
from gaugepost.core.frozen import changed
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body, DeclaredTemperature
from gaugepost.edge.journal import Journal
from tests.core.station import BORE, GAUGE, RING, Hand, set_up

STATION = "bench of years"
BORES = ("A", "B", "C", "D")
PIECES_IN_LOT = 40
YEARS_MS = 10 * 365 * 86_400_000
BEGINNING_MS = 1_450_000_000_000
IN_A_COMMIT = 10_000


def hand() -> Hand:
    """Return a bench with a gauge to each bore, mastered, its uncertainty declared and its rule deciding by it."""
    bodies = (Body.PART, Body.MASTER, Body.GAUGE)
    gauges = [replace(GAUGE, name=f"bore-{bore}", link=f"usb-{bore}", valid_for_ms=None) for bore in BORES]
    bores = [
        replace(
            BORE, name=bore, gauges=(f"bore-{bore}",), rule=parse_rule("guarded acceptance by factor 1.65")
        )
        for bore in BORES
    ]
    ring = replace(RING, uncertainty_mm=Decimal("0.0008"), coverage_factor=Decimal(2))
    bench = Hand(
        set_up(
            station=STATION,
            lot_checks=False,
            gauges={each.name: each for each in gauges},
            characteristics={each.name: each for each in bores},
            masters={ring.name: ring},
            declared=tuple(
                DeclaredTemperature(body=body, celsius=Decimal("20.5"), spread_k=Decimal("0.5"))
                for body in bodies
            ),
        )
    )
    for gauge in gauges:
        bench.do(BeginMastering(gauge.name, ("ring-1",), ("R-1",), readings=2))
        for digits in ("38.0040", "38.0041"):
            bench.show(digits, gauge=gauge.name)
        bench.do(BeginCheck(gauge.name, "ring-1", "R-1", readings=1))
        bench.show("38.0040", gauge=gauge.name)
        assert bench.last(Kind.CHECK).code == "passed"
    return bench


def records(count: int) -> Iterator[Record]:
    """Yield `count` records, spread over ten years: for each piece what is in hand, and a reading of each bore."""
    bench = hand()
    bench.do(SetTags({"lot": "L-0", "piece": "0"}))
    (tags,) = bench.records[-1:]
    shown = [
        [
            bench.show(f"38.{100 + (digit * 7 + at * 3) % 150:04d}", gauge=f"bore-{bore}")
            for digit in range(200)
        ]
        for at, bore in enumerate(BORES)
    ]
    assert all(reading.kind is Kind.READING for of_bore in shown for reading in of_bore)
    first = bench.records[: -len(BORES) * 200]
    each_ms, at_ms = YEARS_MS / max(count, 1), 0.0
    made, piece = len(first), 0
    for before, each in enumerate(islice(first, count)):
        yield changed(each, measured_at=BEGINNING_MS - 1000 * (made - before))
    while made < count:
        lot, name = f"L-{piece // PIECES_IN_LOT}", str(piece % PIECES_IN_LOT + 1)
        templates = (tags, *(of_bore[piece % 200] for of_bore in shown))
        for template in islice(templates, count - made):
            at_ms += each_ms
            now = BEGINNING_MS + int(at_ms)
            yield changed(
                template, attempt=1, lot=lot, piece=name, measured_at=now, clock_ms=1_000_000 + int(at_ms)
            )
        made, piece = made + len(templates), piece + 1


def fill(path: Path, count: int, told: Callable[[int], None] | None = None) -> None:
    """Write a journal of `count` records at `path`; `told` hears how many there are so far."""
    with closing(Journal.open(path, STATION)) as journal:
        made = records(count)
        while page := list(islice(made, IN_A_COMMIT)):
            journal.append(page)
            if told is not None:
                told(journal.sequence)
