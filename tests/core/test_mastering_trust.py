"""Masterings that can be trusted: soaked, repeatable, near the last one, on the ring that was named."""

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.trust import trends
from gaugepost.core.indication import Temperature
from gaugepost.core.record import DERIVATION, Kind, Record
from gaugepost.core.setup import Body, Confirm, Display, ThermometerEntry
from tests.core.station import AIR, RING, Hand, set_up

RING_2 = replace(RING, name="ring-2", size_mm=D("38.5012"), serial="R-2")
TWO_RINGS = {"ring-1": RING, "ring-2": RING_2}
SOAK = {"soak_k": D("0.2"), "soak_window_ms": 600_000}


def soaking(**gauge: Any) -> Hand:
    return Hand(set_up(SOAK | gauge, thermometers={"air": AIR}))


def warmed(hand: Hand, *celsius: str, every_ms: int = 60_000) -> Hand:
    """Have the air's thermometer show these temperatures, a minute apart."""
    for each in celsius:
        hand.warm(each)
        hand.wait(every_ms)
    return hand


def reasons(record: Record) -> str:
    return "; ".join(record.reasons or ())


def test_soak_is_flagged() -> None:
    """A mastering while ring and gauge still drift is accepted with what speaks against it on its record."""
    hand = warmed(soaking(), "22.0", "21.6", "21.3")
    mastering = hand.master("38.004", "38.004")
    assert mastering.code == "accepted"
    assert "the gauge still drifts: 0.7 K within 10 min, more than 0.2 K: let ring and gauge soak" in reasons(
        mastering
    )
    assert "the master still drifts: 0.7 K" in reasons(mastering)
    assert hand.check("38.004").code == "passed"


def test_soak_is_refused_where_declared() -> None:
    """Where the station file says so, a mastering while they drift is refused and ends the one before."""
    hand = warmed(soaking(drifting_refused=True), "22.0", "21.6")
    refused = hand.master("38.004", "38.004")
    assert (refused.code, len(refused.reasons or ())) == ("refused", 2)  # gauge and master, once each
    assert "not mastered" in (hand.show("38.010").reasons or ())


def test_soak_ends() -> None:
    """Once they have stood still for the whole window, nothing speaks against a mastering."""
    hand = warmed(soaking(drifting_refused=True), "22.0", "21.0", "20.4", *["20.3"] * 11)
    mastering = hand.master("38.004", "38.004")
    assert (mastering.code, mastering.reasons) == ("accepted", None)


def test_a_single_shot_of_warmth_is_not_lost() -> None:
    """A thermometer that sends every second keeps what it showed at the start of the window."""
    hand = soaking(drifting_refused=True)
    warmed(hand, "22.0", every_ms=0)
    warmed(hand, *["20.3"] * 120, every_ms=1000)
    assert hand.master("38.004", "38.004").code == "refused"


def test_what_stood_still_until_a_moment_ago_counts() -> None:
    """A temperature is recorded when it moves: the one that held as the window began is part of it."""
    hand = soaking(drifting_refused=True)
    warmed(hand, "22.0", every_ms=550_000)
    warmed(hand, "20.3", every_ms=300_000)
    assert hand.master("38.004", "38.004").code == "refused"


def test_what_was_shown_in_another_start_of_the_computer_is_left_out() -> None:
    """A clock that started anew says nothing of how fast it went before."""
    hand = warmed(soaking(drifting_refused=True), "25.0")
    hand.now = replace(hand.now, boot="boot-2", clock_ms=1000)
    hand.do(ev.Started("test"))
    hand.do(ev.LinkUp("usb-1", "a port"))
    warmed(hand, "20.3", "20.3")
    assert hand.master("38.004", "38.004").code == "accepted"


def test_each_body_is_held_by_its_own_thermometer() -> None:
    """A ring that lies still passes beside a gauge that is warm from the hand, and the record names the gauge."""
    meters = {
        body.value: ThermometerEntry(name=body.value, link="usb-9", channel=body.value, body=body)
        for body in (Body.GAUGE, Body.MASTER)
    }
    hand = Hand(set_up(SOAK, thermometers=meters))
    for gauge_c in ("23.0", "22.5", "22.1"):
        for name, celsius in (("gauge", gauge_c), ("master", "20.1")):
            hand.do(ev.Arrived("usb-9", Temperature(D(celsius), celsius.encode(), name)))
    said = reasons(hand.master("38.004", "38.004"))
    assert "the gauge still drifts" in said
    assert "the master still drifts" not in said


def test_readings_that_wander_are_flagged() -> None:
    """Readings that go on in one direction, beyond their scatter, say that the soak has not ended."""
    hand = soaking()
    assert "drift: 0.005 mm from first to last" in reasons(
        hand.master("38.001", "38.002", "38.003", "38.004", "38.005", "38.006")
    )
    assert hand.master("38.004", "38.003", "38.005", "38.004", "38.003", "38.005").reasons is None


def test_trend_agrees_with_a_regression() -> None:
    """The trend is the two-sided t test of a least-squares slope, as SciPy's linregress makes it."""
    import numpy as np
    from scipy import stats

    made = np.random.default_rng(7)
    seen = set()
    for _ in range(300):
        count = int(made.integers(4, 12))
        values = 38 + made.normal(0, 0.002, count) + np.arange(count) * made.choice([0, 0.001, 0.003])
        readings = tuple(D(f"{value:.9f}") for value in values)
        found = trends(readings, D("1E-9"))
        expected = stats.linregress(np.arange(count), [float(reading - 38) for reading in readings])
        assert (found is not None) == (expected.pvalue < 0.01)
        if found is not None:
            assert float(found) == pytest.approx(expected.slope * (count - 1), rel=5e-3)
        seen.add(found is None)
    assert seen == {True, False}


def test_spread_limit() -> None:
    """Readings of the ring that spread further than the limit make no mastering."""
    hand = Hand(set_up({"spread_limit_mm": D("0.002")}))
    refused = hand.master("38.003", "38.006")
    assert refused.code == "refused"
    assert reasons(refused) == "the readings of ring-1 spread by 0.003 mm, more than 0.002 mm"
    assert hand.master("38.003", "38.005").code == "accepted"


def test_jump_from_the_last_mastering() -> None:
    """A mastering far from the last one is flagged, and what was measured since the last good check is suspect."""
    hand = Hand(set_up({"jump_limit_mm": D("0.005")})).ready()
    measured = hand.show("38.010")
    jumped = hand.master("38.010", "38.010")
    assert jumped.code == "accepted"
    assert "-0.006 mm from the last mastering, more than 0.005 mm" in reasons(jumped)
    suspect = hand.records[-1]
    assert (suspect.kind, suspect.first, suspect.count) == (Kind.SUSPECT, hand.records.index(measured) + 1, 1)


def test_a_jump_that_is_explained_casts_no_doubt() -> None:
    """After new contacts a gauge may be anywhere: the jump is flagged, earlier readings are not suspect for it."""
    hand = Hand(set_up({"jump_limit_mm": D("0.005")})).ready()
    hand.show("38.010")
    hand.do(ev.Report("bore-1", "contacts", "set B"))
    assert "from the last mastering" in reasons(hand.master("38.010", "38.010"))
    assert hand.records[-1].kind is Kind.MASTERING


def test_wrong_ring_is_named() -> None:
    """A mastering refused because another ring of the station fits says which one."""
    refused = Hand(set_up({"compare_masters": True}, masters=TWO_RINGS)).master("38.503", "38.503")
    assert refused.code == "refused"
    assert "ring-2 fits the indication on ring-1 better" in reasons(refused)


NEAR = replace(RING, name="ring-2", size_mm=D("38.0204"), serial="R-2")
"""19 µm larger than the other ring, where a preset gauge may be 50 µm off."""


def near_rings(derivation: int = DERIVATION, **gauge: Any) -> Hand:
    made = set_up({"compare_masters": True} | gauge, masters={"ring-1": RING, "ring-2": NEAR})
    return Hand(made, State(derivation=derivation))


@pytest.mark.parametrize(
    ("shown", "named"), [("38.004", False), ("38.019", True), ("38.022", True), ("38.025", False)]
)
def test_a_ring_near_the_named_one_is_named_at_the_first_mastering(shown: str, named: bool) -> None:
    """Rings for both limits of a bore are nearer than a preset gauge may be off: its display says which one fits."""
    mastering = near_rings().master(shown, shown)
    assert mastering.code == "accepted"
    assert ("ring-2 fits the indication on ring-1 better" in reasons(mastering)) is named


@pytest.mark.parametrize(("shown", "named"), [("38.004", False), ("38.022", False), ("38.023", True)])
def test_a_ring_near_the_named_one_is_named_by_the_last_mastering(shown: str, named: bool) -> None:
    """A gauge known to show 3 µm too much shows that on the other ring, too: 38.0234; 1 µm less is within the check."""
    hand = near_rings(check_limit_mm=D("0.001")).ready()
    mastering = hand.master(shown, shown)
    assert mastering.code == "accepted"
    assert ("ring-2 fits the indication on ring-1 better" in reasons(mastering)) is named


def near(size: str, shown: str, **gauge: Any) -> Record:
    """Master on the ring of 38.0012 mm, beside another of this size, where 2 µm are within a check."""
    masters = {"ring-1": RING, "ring-2": replace(NEAR, size_mm=D(size))}
    return Hand(set_up({"compare_masters": True} | gauge, masters=masters)).master(shown, shown)


@pytest.mark.parametrize(
    ("size", "shown", "named"),
    [("38.0032", "38.0032", False), ("38.0033", "38.0033", True), ("38.0022", "38.0020", False)],
)
def test_what_a_check_would_pass_names_no_other_ring(size: str, shown: str, named: bool) -> None:
    """To the very limit; a ring nearer than that says nothing of which one was read."""
    mastering = near(size, shown)
    assert (mastering.code, "ring-2 fits" in reasons(mastering)) == ("accepted", named)


@pytest.mark.parametrize(("shown", "code"), [("38.0062", "accepted"), ("38.0063", "refused")])
def test_the_preset_limit_itself_is_within_it(shown: str, code: str) -> None:
    """Another ring that fits is named either way; it is refused beyond only."""
    mastering = near("38.0062", shown, preset_limit_mm=D("0.005"))
    assert mastering.code == code
    assert reasons(mastering).count("ring-2 fits the indication on ring-1 better") == 1


def test_new_contacts_leave_the_display_alone_to_say_which_ring_it_is() -> None:
    """What the gauge showed with the old ones says nothing any more."""
    hand = near_rings().ready()
    hand.do(ev.Report("bore-1", "contacts", "new"))
    assert "fits the indication" not in reasons(hand.master("38.0234", "38.0234"))
    hand.do(ev.Report("bore-1", "contacts", "new"))
    assert "fits the indication" in reasons(hand.master("38.0204", "38.0204"))


def test_who_compares_no_rings_is_told_of_none() -> None:
    """And neither do records of derivation 4 name any within the preset limit."""
    assert reasons(near_rings(compare_masters=None).master("38.020", "38.020")) == ""
    assert reasons(near_rings(4).master("38.020", "38.020")) == ""


def test_a_ring_beyond_the_preset_limit_is_named_once() -> None:
    """What a mastering is refused for is no flag beside."""
    refused = Hand(set_up({"compare_masters": True}, masters=TWO_RINGS)).master("38.502", "38.502")
    assert reasons(refused).count("fits the indication") == 1


def test_wrong_ring_at_a_check_is_named() -> None:
    """A check on another ring than was named fails, and says which ring it looks like."""
    hand = Hand(set_up({"compare_masters": True}, masters=TWO_RINGS)).ready()
    failed = hand.check("38.504")
    assert failed.code == "failed"
    assert "ring-2 fits better" in reasons(failed)
    assert "fits better" not in reasons(hand.check("38.009"))


def test_wrong_ring_of_a_falling_comparator() -> None:
    """A comparator that counts from nominal and the other way round names the ring too."""
    falling = {"display": Display.FROM_NOMINAL, "nominal_mm": D(38), "sense": -1, "compare_masters": True}
    hand = Hand(set_up(falling, masters=TWO_RINGS))
    refused = _moved(hand, "-0.502", "-0.600")
    assert "ring-2 fits the indication on ring-1 better" in reasons(refused)


def _moved(hand: Hand, shown: str, after: str) -> Record:
    begun = hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1, movement="larger"))
    assert begun.reply.accepted
    hand.show(shown)
    hand.show(after)
    return hand.last(Kind.MASTERING)


def test_preset_gauge_is_confirmed_by_a_second_ring() -> None:
    """A gauge that shows what was typed agrees with itself on one ring: its first check is on another, or it fails."""
    hand = Hand(set_up({"confirm": Confirm.SECOND_MASTER}, masters=TWO_RINGS))
    assert hand.master("38.004", "38.004").code == "accepted"
    refused = hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1")).reply
    assert not refused.accepted
    assert "can't confirm itself" in refused.text
    assert hand.check("38.504", "ring-2").code == "passed"
    assert hand.check("38.004").code == "passed"  # later ones may be on the same ring


def test_two_masters_confirm_one_another() -> None:
    """A mastering on two rings needs no third one for its check."""
    hand = Hand(set_up({"confirm": Confirm.SECOND_MASTER}, masters=TWO_RINGS))
    hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1", "R-2"), readings=1))
    hand.show("38.004")
    hand.show("38.504")
    assert hand.last(Kind.MASTERING).code == "accepted"
    assert hand.check("38.004").code == "passed"


def test_serial_number_that_must_be_there() -> None:
    """Where a serial number confirms, a master without one masters nothing."""
    hand = Hand(set_up({"confirm": Confirm.SERIAL_NUMBER}, masters={"ring-1": replace(RING, serial=None)}))
    assert "no serial number" in hand.do(ev.BeginMastering("bore-1", ("ring-1",))).reply.text


def test_ring_far_from_what_is_measured() -> None:
    """A ring far from the nominal size of the bore is flagged on the mastering."""
    hand = Hand(set_up({"reach_mm": D("0.2")}, masters=TWO_RINGS))
    assert hand.master("38.004", "38.004").reasons is None
    assert "ring-2 is 0.5012 mm from A, more than 0.2 mm" in reasons(hand.master("38.504", ring="ring-2"))


def test_ring_of_a_class_is_said_to_be_one() -> None:
    """A mastering on a ring without calibrated value says so, with the class's half tolerance."""
    plain = replace(RING, size_mm=D("38"), tolerance_class="X", half_tolerance_mm=D("0.000762"))
    mastering = Hand(set_up(masters={"ring-1": plain})).master("38.001", "38.001")
    assert reasons(mastering) == "no calibrated value of ring-1: nominal size, class X, ± 0.000762 mm"


def test_nothing_is_held_that_is_not_declared() -> None:
    """Under a set-up that declares none of this, outcomes are what they always were."""
    hand = warmed(Hand(set_up(thermometers={"air": AIR}, masters=TWO_RINGS)), "25.0", "20.0")
    assert hand.master("38.001", "38.002", "38.003", "38.004", "38.005").reasons is None
    assert reasons(hand.master("38.503", "38.503")).count("ring-2") == 0


def test_a_failed_check_covers_everything_since_the_last_good_one() -> None:
    """Readings under an earlier mastering are suspect too, where no good check stands between."""
    hand = Hand(set_up()).ready()
    first = hand.show("38.010")
    hand.master("38.004", "38.004")
    hand.show("38.011")
    assert hand.check("38.020").code == "failed"
    suspect = hand.last(Kind.SUSPECT)
    assert suspect.first == hand.records.index(first) + 1
    assert suspect.count == 2
