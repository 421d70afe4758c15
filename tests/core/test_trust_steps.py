"""What masterings, checks, reports and scans leave known of a gauge: what begins anew, what stays, what is in doubt."""

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.state import GaugeState, Shown, Sourced
from gaugepost.core.bench.trust import history, still_drifting, trends
from gaugepost.core.bench.trust.contacts import kept, on_gauge, sole
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Code, Moment
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind
from gaugepost.core.setup import Body, ScannerEntry
from tests.core.station import AIR, GAUGE, RING, Hand, set_up

NEAR = replace(RING, name="ring-2", size_mm=D("38.0312"), serial="R-2")
TWO = {"ring-1": RING, "ring-2": NEAR}
SETS = {"contact_sets": ("A", "B")}


def known(hand: Hand) -> GaugeState:
    return hand.state.gauges["bore-1"]


def bench(gauge: dict[str, Any] | None = None, **station: Any) -> Hand:
    return Hand(set_up(gauge, **{"masters": TWO, "thermometers": {"air": AIR}, **station}))


def test_a_good_check_begins_everything_anew() -> None:
    """Readings, pieces, reasons, what was told and from where doubt would reach: all begin at the check that passed."""
    hand = bench()
    hand.warm("21.50")
    hand.ready()
    first = hand.state.sequence + 1
    hand.show("38.010")
    hand.show("38.011")
    hand.do(ev.Report("bore-1", "knock"))
    before = known(hand)
    assert (before.readings, before.pieces, before.first_reading) == (2, 2, first)
    assert before.due == ("the gauge was knocked or dropped",)
    hand.warm("22.00")
    hand.check("38.004")
    after = known(hand)
    assert (after.readings, after.pieces, after.first_reading, after.due, after.told) == (0, 0, None, (), ())
    assert (after.checked, after.checked_sequence) == (hand.now, hand.state.sequence)
    assert (after.checked_c, after.procedure) == (D("22.00"), None)
    assert after.mastered == before.mastered


def test_a_check_that_fails_leaves_all_as_it_was_and_a_reason() -> None:
    """It starts nothing anew: readings go on to be counted from the last good check, until one passes."""
    hand = bench().ready()
    hand.show("38.010")
    before = known(hand)
    assert hand.check("38.009").code == "failed"
    after = known(hand)
    assert after.due == (*before.due, "the last check failed")
    for name in ("readings", "first_reading", "checked", "checked_sequence", "mastered", "scatter"):
        assert getattr(after, name) == getattr(before, name)
    assert after.procedure is None


def test_a_mastering_is_kept_as_it_was_made() -> None:
    """Its masters, sizes, indications, spans, temperatures, unit and step are what later readings rest on."""
    hand = bench()
    hand.warm("22.00")
    hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1", "R-2"), readings=2))
    for shown in ("1.49625", "1.49625", "1.49743", "1.49743"):
        hand.show(shown, unit=Unit.INCH)
    made, mastered = hand.last(Kind.MASTERING), known(hand).mastered
    assert mastered is not None
    assert (mastered.sequence, mastered.masters) == (hand.state.sequence, ("ring-1", "ring-2"))
    assert mastered.cold.lengths_mm == (RING.size_mm, NEAR.size_mm)
    assert mastered.cold.indications_mm == made.master_indications_mm == (D("38.004750"), D("38.034722"))
    assert mastered.warm is not None
    assert (mastered.warm.lengths_mm, mastered.cold.sense) == (made.master_spans_mm, 1)
    assert (mastered.gauge_c, mastered.gauge_source) == (D("22.00"), "assumed")
    assert mastered.master == Sourced(D("22.00"), "assumed")
    assert (mastered.unit, mastered.resolution, mastered.readings) == (Unit.INCH, D("0.00001"), 2)


def test_a_check_takes_a_changed_display_for_the_one_in_force() -> None:
    """A gauge switched to another step or unit is judged by again once a check with it has passed."""
    hand = bench({"check_limit_mm": D("0.010")}).ready()
    assert hand.show("38.01").verdict == "not-judged"
    hand.check("38.00")
    mastered = known(hand).mastered
    assert mastered is not None
    assert (mastered.unit, mastered.resolution) == (Unit.MM, D("0.01"))
    assert hand.show("38.02").verdict == "in-limits"
    assert hand.show("38.020").verdict == "not-judged"


@pytest.mark.parametrize("kind", ["mastering", "check"])
def test_other_contacts_end_what_goes_on_and_keep_what_is_known(kind: str) -> None:
    """Set B has errors of its own and repeats as the gauge does: the mean error is forgotten, the scatter is not."""
    hand = bench(SETS)
    hand.do(ev.Report("bore-1", "contacts", contact_set="A"))
    hand.master("38.003", "38.005")
    hand.check("38.004")
    hand.check("38.005")
    before = known(hand).scatter
    assert (before.checks, before.degrees_of_freedom) == (2, 2)
    assert before.mean_error_mm == pytest.approx(0.0005)
    begin: ev.Event = ev.BeginMastering("bore-1", ("ring-1",), ("R-1",))
    hand.do(begin if kind == "mastering" else ev.BeginCheck("bore-1", "ring-1", "R-1"))
    hand.do(ev.Report("bore-1", "contacts", contact_set="B"))
    after = known(hand)
    assert (after.contact_set, after.procedure) == ("B", None)
    assert after.scatter == replace(before, checks=0, mean_error_mm=0.0)


def test_what_is_told_twice_is_one_reason() -> None:
    """A gauge knocked twice waits for one check, and is not due before it was ever mastered."""
    hand = bench()
    hand.do(ev.Report("bore-1", "knock"))
    assert known(hand).due == ()
    hand.ready()
    for _ in range(2):
        hand.do(ev.Report("bore-1", "knock"))
    assert known(hand).due == ("the gauge was knocked or dropped",)


def test_another_masters_code_has_to_be_followed_by_the_right_one() -> None:
    """A scan confirms the master that is to be read; another one's takes that back until the right one is scanned."""
    scanner = {"hand": ScannerEntry(name="hand", link="usb-5", codes=("SN {serial_number}",))}
    hand = bench(scanners=scanner)
    hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), readings=1))
    waiting = []
    for code in ("SN R-2", "SN R-1", "SN R-1", "SN R-2", "SN R-1"):
        hand.do(ev.Arrived("usb-5", Code(code, code.encode())))
        procedure = known(hand).procedure
        assert procedure is not None
        waiting.append(set(procedure.to_scan))
    both, second = {"ring-1", "ring-2"}, {"ring-2"}
    assert waiting == [both, second, second, both, second]


@pytest.mark.parametrize(
    ("sets", "said", "before", "on", "after"),
    [
        (None, None, None, None, None),
        (("A",), None, None, "A", "A"),
        (("A",), "A", "A", "A", "A"),
        (("A",), None, "C", "A", "A"),
        (("A", "B"), "B", "A", "B", "A"),
        (("A", "B"), "A", "C", "A", None),
    ],
)
def test_which_contacts_are_on(
    sets: tuple[str, ...] | None, said: str | None, before: str | None, on: str | None, after: str | None
) -> None:
    """What somebody said, or the only set; what was on stays on where the station file still names it."""
    entry = replace(GAUGE, contact_sets=sets)
    assert on_gauge(entry, said) == on
    assert kept(entry, before) == after
    assert sole(entry) == (sets[0] if sets and len(sets) == 1 else None)


@pytest.mark.parametrize(
    ("sets", "said"), [(("A", "B"), None), (("A", "B"), "C"), (("A",), "B"), (None, "A")]
)
def test_contacts_that_nobody_can_know_are_refused(sets: tuple[str, ...] | None, said: str | None) -> None:
    """Several sets and none named, or one that the gauge does not have: what to say is told."""
    with pytest.raises(CommandRefused) as refused:
        on_gauge(replace(GAUGE, contact_sets=sets), said)
    assert refused.value.hint


MINUTE = 60_000


def soaked(*shown: tuple[int, str], soak_k: str = "0.2", window: int = 10 * MINUTE) -> tuple[str, ...]:
    """Return what still drifts at minute 100 by what the air showed, at minutes and in °C."""
    hand = bench({"soak_k": D(soak_k), "soak_window_ms": window})
    kept_shown: Shown | None = None
    for minute, celsius in shown:
        kept_shown = history(kept_shown, D(celsius), Moment(minute * MINUTE, minute * MINUTE, "boot-1"))
    assert kept_shown is not None
    state = replace(hand.state, temperatures={"air": kept_shown})
    return still_drifting(state, "bore-1", Moment(100 * MINUTE, 100 * MINUTE, "boot-1"))


@pytest.mark.parametrize(
    ("shown", "moved"),
    [
        (((95, "20.0"), (99, "20.2")), None),  # as far as is allowed
        (((95, "20.0"), (99, "20.21")), "0.21"),
        (((95, "20.3"), (99, "20.0")), "0.3"),
        (((90, "20.3"), (99, "20.0")), "0.3"),  # as the window began
        (((80, "20.3"), (85, "20.0"), (99, "20.0")), None),  # it held 20.0 when the window began
        (((80, "20.0"), (85, "20.3"), (99, "20.0")), "0.3"),  # it held 20.3 when the window began
        (((92, "20.0"), (95, "20.3"), (99, "20.1")), "0.3"),  # there and back
    ],
)
def test_how_far_temperatures_may_move(shown: tuple[tuple[int, str], ...], moved: str | None) -> None:
    """Within ten minutes 0.2 K and no further, between any two moments, counting what held as the window began."""
    said = soaked(*shown)
    assert len(said) == (0 if moved is None else 2)
    for body, reason in zip(("gauge", "master"), said, strict=False):
        assert reason.startswith(f"the {body} still drifts: {moved} K within 10 min, more than 0.2 K")


def test_what_a_thermometer_showed_is_kept_for_two_hours() -> None:
    """One value in ten seconds is kept, for two hours, of this start of the computer."""
    now = Moment(0, 0, "boot-1")
    shown = history(None, D(20), now)
    assert shown.earlier == ()
    soon = history(shown, D(21), replace(now, clock_ms=9_999))
    assert (soon.celsius, soon.earlier) == (D(21), ((0, D(20)),))
    sooner = history(soon, D(22), replace(now, clock_ms=10_998))
    assert (sooner.celsius, sooner.earlier) == (D(22), ((0, D(20)),))  # 21 came within 10 s of what is kept
    later = history(sooner, D(23), replace(now, clock_ms=20_000))
    assert later.earlier == ((0, D(20)), (10_998, D(22)))
    assert history(later, D(24), replace(now, clock_ms=7_200_000)).earlier[0] == (0, D(20))
    assert history(later, D(24), replace(now, clock_ms=7_200_001)).earlier[0] == (10_998, D(22))
    assert history(later, D(24), Moment(0, 5, "boot-2")).earlier == ()


def test_digits_that_stand_still_prove_no_trend() -> None:
    """Four readings are the fewest; their slope counts beyond t99(2)·√(1/12/5) = 1.28 steps (GUM, F.2.2.1, G.2)."""
    step = D("0.001")
    for sense in (1, -1):
        assert trends(tuple(D(38) + sense * at * 3 * step for at in range(3)), step) is None
        assert trends(tuple(D(38) + sense * at * step for at in range(4)), step) is None
        assert trends(tuple(D(38) + sense * at * 2 * step for at in range(4)), step) == sense * D("0.006")
    assert trends((D("38.001"),) * 6, step) is None


def test_a_body_of_a_gauge_has_its_own_thermometer() -> None:
    """Gauge and master are looked at each by the thermometer that its temperature comes from; a declared one holds."""
    probe = replace(AIR, name="probe", link="usb-8", body=Body.MASTER, stands_in_for=())
    hand = bench(
        {"soak_k": D("0.2"), "soak_window_ms": 10 * MINUTE}, thermometers={"air": AIR, "probe": probe}
    )
    hand.do(ev.LinkUp("usb-8", "a port"))
    for air, ring in (("20.0", "20.0"), ("20.1", "21.0")):
        hand.warm(air)
        hand.warm(ring, "probe")
    (reason,) = still_drifting(hand.state, "bore-1", hand.now)
    assert reason.startswith("the master still drifts: 1.0 K within 10 min")
