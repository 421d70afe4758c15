"""Every bound that a bench holds gauges and masters to: what is at it still counts, one step beyond does not."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.standing import standing
from gaugepost.core.bench.temperatures import temperature_of
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body, Combine, Display
from tests.core.station import AIR, BORE, RING, Hand, set_up

NEAR = replace(RING, name="ring-2", size_mm=D("38.0512"), serial="R-2")
TWO = {"ring-1": RING, "ring-2": NEAR}
FINE = {"mastering_readings": 1}


def mastered(
    *shown: str, ring: str = "ring-1", masters: Mapping[str, Any] | None = None, **gauge: Any
) -> Record:
    return Hand(set_up(FINE | gauge, masters=masters or TWO)).master(*shown, ring=ring)


def why(record: Record) -> str:
    return "; ".join(record.reasons or ())


@pytest.mark.parametrize("whose", ["gauge", "ring"])
def test_a_calibration_counts_through_its_last_moment(whose: str) -> None:
    """Verdict and mastering are there at the due date, and neither a millisecond after it, for gauge and for master."""
    hand = Hand(set_up())
    due = hand.now.utc_ms + 3_600_000
    rings = {"ring-1": replace(RING, due_utc_ms=due if whose == "ring" else None)}
    hand = Hand(set_up({"due_utc_ms": due if whose == "gauge" else None}, masters=rings)).ready()
    hand.wait(due - hand.now.utc_ms)
    assert standing(hand.state, "bore-1", hand.now) == ()
    assert hand.at_once(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",))).reply.accepted
    hand.at_once(ev.Abandon("bore-1"))
    hand.wait(1)
    (overdue,) = (each for each in standing(hand.state, "bore-1", hand.now) if "calibration" in each)
    assert overdue == f"the {'gauge' if whose == 'gauge' else 'calibration of ring-1'}" + (
        "'s calibration is overdue" if whose == "gauge" else " is overdue"
    )
    refused = hand.at_once(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",))).reply
    assert "overdue" in refused.text
    assert not refused.accepted


def test_a_temperature_is_fresh_through_its_age() -> None:
    """What a thermometer showed counts until it is as old as its entry allows, and no longer."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    hand.warm("21.50")
    last = Moment(hand.now.utc_ms + AIR.max_age_ms, hand.now.clock_ms + AIR.max_age_ms, hand.now.boot)
    found = temperature_of(hand.state, Body.PART, "bore-1", last)
    assert found is not None
    assert (found.celsius, found.source) == (D("21.50"), "assumed")
    late = replace(last, utc_ms=last.utc_ms + 1, clock_ms=last.clock_ms + 1)
    assert temperature_of(hand.state, Body.PART, "bore-1", late) is None


@pytest.mark.parametrize(("celsius", "verdict"), [("23.00", "in-limits"), ("23.01", "not-judged"),
                                                  ("19.00", "in-limits"), ("18.99", "not-judged")])  # fmt: skip
def test_a_band_of_temperature_holds_both_its_ends(celsius: str, verdict: str) -> None:
    """A gauge 2 K from where it was checked is within a band of 2 K, warmer or colder; a hundredth more is not."""
    hand = Hand(set_up({"valid_band_k": D(2)}, thermometers={"air": AIR}))
    hand.warm("21.00")
    hand.ready()
    hand.warm(celsius)
    assert hand.show("38.010").verdict == verdict


def test_a_band_needs_both_temperatures() -> None:
    """Where the gauge's temperature was not known at the check, or is not now, a band says nothing."""
    hand = Hand(set_up({"valid_band_k": D(2), "valid_for_ms": None}, thermometers={"air": AIR})).ready()
    hand.warm("29.00")
    assert hand.show("38.010").verdict == "in-limits"
    hand.check("38.004")
    hand.wait(AIR.max_age_ms)
    assert hand.show("38.010").verdict == "in-limits"
    hand.warm("20.00")
    assert hand.show("38.010").verdict == "not-judged"


def test_a_master_that_left_the_station_file_is_not_overdue() -> None:
    """A mastering on it waits for a check, because its entry was edited, and says nothing of a due date."""
    hand = Hand(set_up(FINE, masters=TWO)).ready()
    hand.load(set_up(FINE, masters={"ring-2": NEAR}))
    (reason,) = standing(hand.state, "bore-1", hand.now)
    assert "was edited" in reason


@pytest.mark.parametrize(
    ("shown", "within"), [("37.9999", False), ("38.0000", True), ("38.0200", True), ("38.0201", False)]
)
@pytest.mark.parametrize("which", ["indication", "size"])
def test_a_gauges_ranges_hold_both_their_ends(shown: str, within: bool, which: str) -> None:
    """What a gauge can show, and can measure, reaches from the first to the last size; the size is corrected."""
    off = D("0.0028") if which == "size" else D(0)  # it shows 2.8 µm too much
    hand = Hand(set_up({f"{which}_range_mm": (D("38.0000"), D("38.0200"))}))
    hand.master("38.0040", "38.0040")
    hand.check("38.0040")
    reading = hand.show(str(D(shown) + off))
    assert (reading.verdict != "not-judged") is within
    assert within or why(reading) == f"the {which} is outside the gauge's range of 38.0000 to 38.0200 mm"


@pytest.mark.parametrize(
    ("shown", "code"),
    [("38.0512", "accepted"), ("38.0513", "refused"), ("37.9512", "accepted"), ("37.9511", "refused")],
)
def test_a_preset_may_be_off_by_its_limit(shown: str, code: str) -> None:
    """A gauge that shows 0.05 mm more or less than the ring is mastered where 0.05 mm is the limit; no further off."""
    mastering = mastered(shown)
    assert mastering.code == code
    assert (why(mastering) == "") is (code == "accepted")


@pytest.mark.parametrize(
    ("shown", "code"),
    [("38.0060", "passed"), ("38.0061", "failed"), ("38.0020", "passed"), ("38.0019", "failed")],
)
def test_a_check_may_be_off_by_its_limit(shown: str, code: str) -> None:
    """A check that is off by its limit, up or down, passes; by a step of the display more it fails, and says so."""
    hand = Hand(set_up(FINE))
    hand.master("38.0040")
    check = hand.check(shown)
    assert (check.code, check.limit_mm) == (code, D("0.002"))
    assert check.error_mm == D(shown) - D("38.0040")
    assert why(check) == ("" if code == "passed" else f"off by {check.error_mm} mm, more than 0.002 mm")


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize(
    ("movement", "by", "finding"),
    [
        ("larger", "0.005", ""),
        ("larger", "0.004", "it proves nothing"),
        ("larger", "0.000", "the sense is wrong"),
        ("larger", "-0.030", "the sense is wrong"),
        ("smaller", "-0.005", ""),
        ("smaller", "-0.004", "it proves nothing"),
        ("smaller", "0.030", "the sense is wrong"),
    ],
)
def test_a_known_movement_counts_from_five_steps_of_the_display(
    sense: int, movement: str, by: str, finding: str
) -> None:
    """Five steps the right way prove the sense, four could be flicker; also where the indication falls."""
    hand = Hand(set_up({"display": Display.FROM_MASTER, "sense": sense}))
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1, movement=movement))
    hand.show("0.002")
    hand.show(str(D("0.002") + sense * D(by)))
    mastering = hand.last(Kind.MASTERING)
    assert mastering.code == ("refused" if finding else "accepted")
    assert finding in why(mastering)


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize(
    ("second", "refusal"),
    [
        ("0.049", ""),
        ("0.005", ""),
        ("0.004", "less than 5 steps"),
        ("0.000", "exchanged, or the sense is wrong"),
        ("-0.049", "exchanged, or the sense is wrong"),
    ],
)
@pytest.mark.parametrize("order", [("ring-1", "ring-2"), ("ring-2", "ring-1")])
def test_an_indication_follows_from_one_master_to_the_other(
    sense: int, second: str, refusal: str, order: tuple[str, str]
) -> None:
    """Five steps the way that the sizes go prove the sense, fewer do not, with the larger ring first or last."""
    hand = Hand(set_up({"display": Display.FROM_MASTER, "sense": sense}, masters=TWO))
    serials = tuple(TWO[each].serial or "" for each in order)
    hand.do(ev.BeginMastering("bore-1", order, serials, readings=1))
    up = sense if order[0] == "ring-1" else -sense
    hand.show("0.000")
    hand.show(str(up * D(second)))
    mastering = hand.last(Kind.MASTERING)
    assert mastering.code == ("refused" if refusal else "accepted")
    assert refusal in why(mastering)


@pytest.mark.parametrize(
    ("shown", "jumped"), [("38.0090", False), ("38.0091", True), ("37.9990", False), ("37.9989", True)]
)
def test_a_jump_counts_beyond_its_limit(shown: str, jumped: bool) -> None:
    """A mastering as far from the last one as the limit is no jump; a step further is one, either way."""
    hand = Hand(set_up(FINE | {"jump_limit_mm": D("0.005")}))
    hand.master("38.0040")
    assert ("from the last mastering" in why(hand.master(shown))) is jumped


def test_a_jump_on_either_of_two_rings_counts() -> None:
    """A gauge whose scale went wrong shows the first ring as before and the second not: that is a jump too."""
    hand = Hand(set_up(FINE | {"jump_limit_mm": D("0.005")}, masters=TWO))
    flagged = []
    for second in ("38.0540", "38.0589", "38.0639", "38.0700"):
        hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1", "R-2"), readings=1))
        hand.show("38.0040")
        hand.show(second)
        flagged.append(why(hand.last(Kind.MASTERING)))
    assert flagged[:3] == ["", "", ""]
    assert flagged[3].startswith("-0.005")
    assert "mm from the last mastering, more than 0.005 mm" in flagged[3]


@pytest.mark.parametrize(("reach", "far"), [("0.0512", False), ("0.0511", True)])
def test_a_ring_is_far_beyond_its_reach(reach: str, far: bool) -> None:
    """A ring as far from the nominal size as the reach is near enough; what counts is the nearer of two rings."""
    assert ("mm from A, more than" in why(mastered("38.0512", ring="ring-2", reach_mm=D(reach)))) is far
    hand = Hand(set_up(FINE | {"reach_mm": D(reach)}, masters=TWO))
    hand.do(ev.BeginMastering("bore-1", ("ring-2", "ring-1"), ("R-2", "R-1"), readings=1))
    hand.show("38.0512")
    hand.show("38.0012")
    assert hand.last(Kind.MASTERING).reasons is None


@pytest.mark.parametrize(
    ("aim", "away"),
    [
        ({"nominal_mm": None}, "0.0512 mm from A"),
        ({"nominal_mm": None, "lower_mm": None}, "0.0262 mm from A"),
        ({"combine": Combine.RANGE, "nominal_mm": None, "lower_mm": None}, ""),
    ],
)
def test_what_a_ring_is_far_from(aim: dict[str, Any], away: str) -> None:
    """Without a nominal size it is the lower limit, else the upper; a range of sizes is about no size."""
    hand = Hand(set_up(FINE | {"reach_mm": D("0.01")}, aim, masters=TWO))
    said = why(hand.master("38.0512", ring="ring-2"))
    assert away in said
    assert bool(away) == bool(said)


def test_a_ring_is_far_from_what_is_selected_alone() -> None:
    """With a characteristic selected, only that is looked at; without, all that the gauge serves."""
    far = replace(BORE, name="B", nominal_mm=D(45), upper_mm=D(46))
    hand = Hand(set_up(FINE | {"reach_mm": D(1)}, characteristics={"A": BORE, "B": far}))
    assert "ring-1 is 6.9988 mm from B" in why(hand.master("38.0040"))
    hand.do(ev.SetTags({"characteristic": "A"}))
    assert hand.master("38.0040").reasons is None
    hand.do(ev.SetTags({"characteristic": "B"}))
    assert why(hand.master("38.0040")) == "ring-1 is 6.9988 mm from B, more than 1 mm"
    others = {"A": BORE, "B": replace(far, gauges=("bore-2",))}
    hand = Hand(set_up(FINE | {"reach_mm": D(1)}, characteristics=others))
    assert hand.master("38.0040").reasons is None


@pytest.mark.parametrize(
    ("shown", "named"),
    [
        ("38.0763", "ring-2 fits"),  # 25.1 µm from ring-2's size, 75.1 µm from ring-1's
        ("38.1012", "ring-2 fits"),  # as far from ring-2 as the limit
        ("38.1013", ""),
        ("37.9400", ""),  # nearer to ring-1 itself
        ("38.0400", ""),  # within the limit of ring-1, and too far from ring-2 for a check
        ("38.0512", "ring-2 fits"),  # within it too, and what ring-2 would show: a flag
    ],
)
def test_another_ring_is_named_where_it_fits_within_the_limit(shown: str, named: str) -> None:
    """It is named where the indication is beyond the preset limit on the ring in hand, and within it on the other; or
    where a check would name it."""
    said = why(mastered(shown, compare_masters=True))
    assert (named in said) if named else ("fits" not in said)


@pytest.mark.parametrize("readings", [1, 50])
def test_so_many_readings_can_be_asked_for(readings: int) -> None:
    """From one to fifty readings of a master are taken, and a mastering ends with the last."""
    hand = Hand(set_up())
    assert len(hand.master(*["38.004"] * readings).members or ()) == readings


@pytest.mark.parametrize("readings", [-1, 0, 51])
def test_more_or_fewer_readings_can_not(readings: int) -> None:
    """None, or more than fifty, are refused, and what can be asked for is said."""
    hand = Hand(set_up()).ready()
    for event in (
        ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=readings),
        ev.BeginCheck("bore-1", "ring-1", "R-1", readings=readings),
    ):
        reply = hand.do(event).reply
        assert (reply.accepted, reply.text) == (False, f"{readings} readings can't be taken")
        assert "1 to 50" in reply.hint
