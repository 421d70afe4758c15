"""Streaming gauges: which indication of a rocking, a passing or a coming to rest is taken, and with what evidence."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

from hypothesis import given, strategies as st

from gaugepost.core.bench.arrivals.window import MOST_BYTES, Window
from gaugepost.core.bench.events import BeginMastering, Streamed
from gaugepost.core.indication import Indication, Moment
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind
from gaugepost.core.setup import GaugeEntry, Opens, StreamEntry, Takes
from tests.core.station import GAUGE, Hand, set_up

START = Moment(1_790_000_000_000, 50_000, "boot-1")


def gauge(takes: Takes = Takes.SMALLEST, opens: Opens = Opens.ASKED, **changes: Any) -> GaugeEntry:
    how: dict[str, Any] = {"turn_mm": D("0.010")} if takes is not Takes.SETTLED else {"steady_mm": D("0.001")}
    stream = StreamEntry(takes=takes, opens=opens, window_ms=10_000, **how)
    return replace(GAUGE, stream=stream, **changes)


def at(ms: int) -> Moment:
    return Moment(START.utc_ms + ms, START.clock_ms + ms, START.boot)


def shown(size: D | str, unit: Unit = Unit.MM) -> Indication:
    return Indication(str(size), D(size), unit, f"{size}\r\n".encode())


def fed(window: Window, sizes: list[D], *, every_ms: int = 20, since_ms: int = 0) -> list[Streamed]:
    found = []
    for place, size in enumerate(sizes):
        found += window.feed("usb-1", shown(size), at(since_ms + place * every_ms))
    return found


def rocking(size: D, *, swings: int = 1, height: float = 0.08, steps: int = 40) -> list[D]:
    """A head turned through the bore: the diameter it sees grows with the square of its tilt (from memory)."""
    tilt = (math.cos(math.pi * place / steps) for place in range(steps * swings + 1))
    return [(size + D(height) * D(angle) ** 2).quantize(D("0.0001")) for angle in tilt]


def test_the_smallest_of_a_rocking_is_taken() -> None:
    """The reversal is the bore's size, with everything that streamed by as its evidence."""
    window = Window(gauge())
    window.open(at(0))
    stream = rocking(D("38.0100"))
    (taken,) = fed(window, stream)
    assert taken.indication is not None
    assert taken.indication.value == min(stream) == D("38.0100")
    assert taken.evidence.raw.startswith(shown(stream[0]).raw)
    assert taken.indication.raw in taken.evidence.raw
    assert taken.evidence.code == "smallest"


def test_the_largest_of_a_passing_is_taken() -> None:
    """A shaft through a snap gauge: it rises, turns and falls."""
    window = Window(gauge(Takes.LARGEST))
    window.open(at(0))
    stream = [D("76.02") - size for size in rocking(D("38.0100"))]
    (taken,) = fed(window, stream)
    assert taken.indication is not None
    assert taken.indication.value == max(stream)


def test_a_falling_indicator_turns_the_other_way() -> None:
    """Where the indication falls as the size grows, the smallest size is the largest indication."""
    window = Window(gauge(sense=-1))
    window.open(at(0))
    stream = [-size for size in rocking(D("38.0100"))]
    (taken,) = fed(window, stream)
    assert taken.indication is not None
    assert taken.indication.value == max(stream)


def test_the_best_of_several_turns() -> None:
    """Rocked three times, the smallest of three turning points counts."""
    entry = gauge()
    assert entry.stream is not None
    window = Window(replace(entry, stream=replace(entry.stream, turns=3)))
    window.open(at(0))
    swings = [rocking(D(size)) for size in ("38.0120", "38.0100", "38.0110")]
    (taken,) = fed(window, [size for swing in swings for size in swing])
    assert taken.indication is not None
    assert taken.indication.value == D("38.0100")


@given(st.lists(st.integers(380_000, 381_000), max_size=60, unique=True))
def test_whatever_is_taken_is_a_turning_point(steps: list[int]) -> None:
    """Never a number that was not shown; it stood above nothing within a turn on either side."""
    window, stream = Window(gauge()), [D(step).scaleb(-4) for step in steps]
    window.open(at(0))
    for taken in fed(window, stream):
        assert taken.indication is not None
        place = stream.index(taken.indication.value)
        assert max(stream[:place]) >= taken.indication.value + D("0.010")
        assert max(stream[place:]) >= taken.indication.value + D("0.010")


def test_noise_is_no_turn() -> None:
    """A stream that flickers by less than the turn never gives a value; the end of its time says so."""
    window = Window(gauge())
    window.open(at(0))
    (ended,) = fed(window, [D("38.010"), D("38.011")] * 300)
    assert ended.indication is None
    assert "did not fall and rise again within 10 s" in ended.evidence.text


def test_settled_is_taken_at_rest() -> None:
    """A three-point head that comes to rest: a middle one of what it showed there."""
    window = Window(gauge(Takes.SETTLED))
    window.open(at(0))
    coming = [D("38.100") - D(step) * D("0.005") for step in range(18)]
    resting = [D("38.0101"), D("38.0103"), D("38.0102")] * 30
    (taken,) = fed(window, coming + resting)
    assert taken.indication is not None
    assert taken.indication.value == D("38.0102")


def test_a_hand_that_trembles_is_not_settled() -> None:
    """Moving by more than it may, it never settles."""
    window = Window(gauge(Takes.SETTLED))
    window.open(at(0))
    (ended,) = fed(window, [D("38.010"), D("38.012")] * 300)
    assert "did not come to rest" in ended.evidence.text


def test_outside_a_window_nothing_is_taken() -> None:
    """A gauge that is asked shows nothing to anybody until then."""
    assert fed(Window(gauge()), rocking(D("38.0100"), swings=3)) == []


def test_it_opens_by_itself_once_each_time() -> None:
    """After a pause, or from out of range: one reading each time the gauge goes in, however long it stays there."""
    window = Window(gauge(opens=Opens.ITSELF, indication_range_mm=(D(37), D(39))))
    swings = rocking(D("38.0100"), swings=4)
    assert len(fed(window, swings)) == 1
    assert fed(window, [D("99")], since_ms=4000) == []
    assert len(fed(window, swings, since_ms=4020)) == 1
    assert len(fed(window, swings, since_ms=60_000)) == 1


def test_a_silent_window_ends() -> None:
    """Where nothing comes its end is told by the clock."""
    window = Window(gauge())
    window.open(at(0))
    assert window.passed("usb-1", at(10_000)) == []
    (ended,) = window.passed("usb-1", at(10_001))
    assert "nothing came within 10 s" in ended.evidence.text
    window.open(at(20_000))
    (lost,) = window.lost("usb-1", at(20_100))
    assert "the link was lost" in lost.evidence.text


def test_evidence_is_bounded() -> None:
    """A gauge that babbles long frames ends its window before it fills the memory."""
    window = Window(gauge())
    window.open(at(0))
    ended = []
    long = replace(shown("38.010"), raw=b"x" * 4096)
    for place in range(20):
        ended += window.feed("usb-1", long, at(place))
    assert [len(each.evidence.raw) for each in ended] == [MOST_BYTES + 4096]


def test_what_is_taken_is_measured_with_its_evidence() -> None:
    """The bench records the evidence before the reading that it names, in a mastering too."""
    entry = gauge()
    hand = Hand(set_up({"stream": entry.stream}))
    for begin in (None, BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2)):
        if begin:
            assert hand.do(begin).reply.accepted
        window = Window(entry)
        window.open(at(0))
        (taken,) = fed(window, rocking(D("38.0100")))
        evidence, reading = hand.do(taken).records
        assert (evidence.kind, evidence.members) == (Kind.STREAM, (hand.state.sequence,))
        assert reading.kind is (Kind.MASTER_READING if begin else Kind.READING)
        assert reading.indication == "38.0100"


def test_a_window_without_a_value_is_recorded() -> None:
    """A person sees why nothing was measured."""
    window = Window(gauge())
    window.open(at(0))
    (ended,) = window.passed("usb-1", at(20_000))
    (record,) = Hand(set_up({"stream": gauge().stream})).do(ended).records
    assert (record.kind, record.code) == (Kind.STREAM, "none")


def test_digits_without_a_unit_are_no_height() -> None:
    """Where neither frame nor station file says the unit, nothing is compared."""
    window = Window(gauge())
    window.open(at(0))
    bare = [Indication(str(size), size, None, b"x") for size in rocking(D("38.0100"))]
    assert [each for place, one in enumerate(bare) for each in window.feed("usb-1", one, at(place))] == []
