"""The bench as an archive left it is read by every later program: without it an archived journal would lead nowhere."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from gaugepost.core.bench import apply
from gaugepost.core.bench.events import SetTags
from gaugepost.core.indication import Moment
from gaugepost.edge.kept.state import packed, unpacked
from tests.core.station import Hand, set_up

GOLDEN = Path(__file__).with_name("bench-state-1.xz")
"""Written on 2026-11-25, after 401 readings of 20 lots; never written again."""


def test_a_state_of_the_first_program_with_archives_is_read() -> None:
    """What it says is what it said then; fields that a state has got since have their defaults."""
    state = unpacked(GOLDEN.read_bytes())
    known = state.gauges["bore-1"]
    assert (state.sequence, state.lot, state.piece) == (813, "L-2", "7")
    assert (state.counts.of(("L-2", "7", "A", None)), state.counts.of(("L-3", "7", "A", None))) == (2, 1)
    assert known.mastered is not None
    assert (known.mastered.sequence, known.checked_sequence, len(known.due)) == (8, 11, 2)
    assert state.set_up.characteristics["A"].upper_mm == Decimal("38.025")


def test_a_station_goes_on_from_it() -> None:
    """It masters nothing anew, and the next reading is the attempt that it is."""
    state = unpacked(GOLDEN.read_bytes())
    assert state.now is not None
    hand = Hand(set_up(), state=state, now=Moment(state.now.utc_ms, state.now.clock_ms, state.now.boot))
    hand.do(SetTags({"lot": "L-5", "piece": "9", "characteristic": "A"}))
    record = hand.show("38.013")
    assert record.attempt == 2
    assert unpacked(packed(apply(hand.state, record))) == apply(hand.state, record)
