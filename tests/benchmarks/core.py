"""The processor's time for one reading, from bytes to a judged record, against a script's `float` and JSON."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from itertools import count
from typing import Any

from gaugepost.contract import Chunk
from gaugepost.core.bench import apply, decide
from gaugepost.core.bench.events import Arrived, SetTags
from gaugepost.core.conformity import parse_rule
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind
from gaugepost.core.setup import Body, DeclaredTemperature
from gaugepost.edge.journal.codec import decode, encode
from gaugepost_adapters.decoders.delimited_text import DelimitedText
from tests.benchmarks.bench import frame
from tests.benchmarks.figures import Figure, medians
from tests.core.station import RING, Hand, set_up

ROUNDS, CALLS = 40, 100
GOAL_US = 150


def figures() -> Iterator[Figure]:
    """Measure each step on its own, and the ones that the event loop takes together."""
    hand = Hand(set_up())
    hand.do(SetTags({"lot": "L-1", "piece": "1"}))
    hand.master("38.0040", "38.0040")
    hand.check("38.0040")
    state, numbers = hand.state, count(1)
    decoder = DelimitedText(
        DelimitedText.Settings.model_validate({"pattern": "{value} {unit}", "units": {"mm": "mm"}})
    )
    arrived = [Arrived("usb-1", decoder.feed(Chunk(frame(n), hand.now))[0]) for n in range(CALLS)]
    record = decide(state, arrived[99], hand.now).records[0]
    assert record.kind is Kind.READING
    assert record.verdict == "in-limits"
    body, entry = encode(record), Entry(1, bytes(32), record)
    tentative = state

    def script() -> None:
        value = float(frame(next(numbers)).split()[0])
        json.dumps(
            {"value": value, "unit": "mm", "ok": 38.0 <= value <= 38.025, "gauge": "bore-1", "piece": "1"}
        )

    def through() -> None:
        nonlocal tentative
        (event,) = decoder.feed(Chunk(frame(next(numbers)), hand.now))
        for made in decide(tentative, Arrived("usb-1", event), hand.now).records:
            tentative = apply(tentative, made)

    sure = sure_hand()
    sure_state = sure.state

    def with_budget() -> None:
        nonlocal sure_state
        for made in decide(sure_state, arrived[next(numbers) % CALLS], sure.now).records:
            sure_state = apply(sure_state, made)

    ways = {
        "a script": script,
        "decoder, decide, apply": through,
        "  decoder": lambda: decoder.feed(Chunk(frame(next(numbers)), hand.now)),
        "  decide": lambda: decide(state, arrived[next(numbers) % CALLS], hand.now),
        "  apply": lambda: apply(state, record),
        "decide, apply with full budget": with_budget,
        "encode": lambda: encode(record),
        "decode": lambda: decode(body),
        "publish": lambda: publish(entry, "0" * 36, "bench 1"),
    }
    taken = medians(ways, ROUNDS, CALLS, time.process_time)
    baseline = taken.pop("a script") * 1e6
    for name, seconds in taken.items():
        goal = f"less than {GOAL_US} µs" if name.startswith(("decoder,", "decide,")) else ""
        yield Figure(name, seconds * 1e6, "µs", baseline, "a script", goal, seconds * 1e6 < GOAL_US)


def sure_hand(**station: Any) -> Hand:
    """A bench whose station file declares all that an uncertainty rests on, and whose rule decides by it."""
    bodies = (Body.PART, Body.MASTER, Body.GAUGE)
    declared = tuple(
        DeclaredTemperature(body=body, celsius=Decimal("20.5"), spread_k=Decimal("0.5")) for body in bodies
    )
    ring = replace(RING, uncertainty_mm=Decimal("0.0008"), coverage_factor=Decimal(2))
    rule = {"rule": parse_rule("guarded acceptance by factor 1.65")}
    hand = Hand(set_up(characteristic=rule, declared=declared, masters={ring.name: ring}, **station))
    hand.do(SetTags({"lot": "L-1", "piece": "1"}))
    hand.master("38.0040", "38.0041")
    hand.check("38.0040")
    return hand
