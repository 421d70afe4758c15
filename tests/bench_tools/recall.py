"""A journal of many masterings, of which some were on a ring that turns out bad: by the real bench and the real writer.

Each block is what the bench made of frames once: a mastering, its check and the readings after it. It is written again
and again, moved on in time and sequence.
"""

from __future__ import annotations

from collections.abc import Iterator
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

STATION = "recall bench"
BORES = ("A", "B", "C", "D")
READINGS = 250
"""Between two masterings."""
IN_A_COMMIT = 1000
BAD = "ring-bad"


def hand(*, repeatability: bool = False) -> Hand:
    """Return a bench with a gauge to each bore and two rings, uncertainties known and decided by."""
    bodies = (Body.PART, Body.MASTER, Body.GAUGE)
    declared = Decimal("0.0004") if repeatability else None
    gauges = [
        replace(GAUGE, name=f"bore-{bore}", link=f"usb-{bore}", valid_for_ms=None, repeatability_mm=declared)
        for bore in BORES
    ]
    rule = parse_rule("guarded acceptance by factor 1.65")
    bores = [replace(BORE, name=bore, gauges=(f"bore-{bore}",), rule=rule) for bore in BORES]
    ring = replace(RING, uncertainty_mm=Decimal("0.0008"), coverage_factor=Decimal(2))
    return Hand(
        set_up(
            station=STATION,
            lot_checks=False,
            gauges={each.name: each for each in gauges},
            characteristics={each.name: each for each in bores},
            masters={ring.name: ring, BAD: replace(ring, name=BAD)},
            declared=tuple(
                DeclaredTemperature(body=body, celsius=Decimal("20.5"), spread_k=Decimal("0.5"))
                for body in bodies
            ),
        )
    )


def _block(bench: Hand, bore: str, ring: str) -> tuple[int, list[Record]]:
    """Have a gauge mastered, checked and used; return where that begins and its records."""
    gauge, begun = f"bore-{bore}", bench.state.sequence
    bench.do(BeginMastering(gauge, (ring,), ("R-1",), readings=2))
    for digits in ("38.0040", "38.0041"):
        bench.show(digits, gauge=gauge)
    bench.do(BeginCheck(gauge, ring, "R-1", readings=1))
    bench.show("38.0040", gauge=gauge)
    assert bench.last(Kind.CHECK).code == "passed"
    bench.do(SetTags({"lot": "L-1", "piece": "1"}))
    for digit in range(READINGS):
        bench.show(f"38.{40 + (digit * 7) % 250:04d}", gauge=gauge)
    return begun, bench.records[begun:]


def records(count: int, affected: int, *, repeatability: bool = False) -> Iterator[Record]:
    """Yield about `count` records, `affected` readings among them that rest on the bad ring, in the middle of them."""
    bench = hand(repeatability=repeatability)
    first = list(bench.records)
    usual = {bore: _block(bench, bore, "ring-1") for bore in BORES}
    bad = _block(bench, "A", BAD)
    yield from first
    cycle = sum(len(made) for _, made in usual.values())
    cycles, wanted = count // cycle, -(-affected // READINGS)
    sequence, moved = len(first), 0
    for number in range(cycles):
        is_bad = 0 <= number - (cycles - wanted) // 2 < wanted
        for bore in BORES:
            begun, made = bad if is_bad and bore == "A" else usual[bore]
            shift = sequence - begun
            for record in made:
                moved += 1000
                more: dict[str, object] = {}
                if record.mastering is not None:
                    more["mastering"] = record.mastering + shift
                if record.members is not None:
                    more["members"] = tuple(member + shift for member in record.members)
                yield changed(record, measured_at=first[-1].measured_at + moved, **more)  # type: ignore[arg-type]
            sequence += len(made)


def fill(path: Path, count: int, affected: int, *, repeatability: bool = False) -> None:
    """Write such a journal at `path`."""
    with closing(Journal.open(path, STATION)) as journal:
        made = records(count, affected, repeatability=repeatability)
        while page := list(islice(made, IN_A_COMMIT)):
            journal.append(page)
