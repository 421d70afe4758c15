"""What depended on a master, a mastering, a gauge or a thermometer: by what it was measured under, and when."""

import math
from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.commands.doubting import doubtful
from gaugepost.core.bench.tracing import dependants as module
from gaugepost.core.bench.tracing.dependants import Asked, Dependants, What, dependants, known_names
from gaugepost.core.bench.tracing.rejudging import to_rejudge
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import Trace, trace
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION, Kind
from gaugepost.core.setup import Combine, Confirm, PlaceEntry, ScannerEntry
from tests.core.station import AIR, RING, Hand, set_up
from tests.core.test_uncertainty_gauging import KNOWN_RING, known
from tests.core.trail import Trail

OTHER = replace(RING, name="ring-2", serial="R-2", size_mm=D("38.0006"))
SPARE = replace(RING, name="ring-3", serial="R-3", size_mm=D("38.0012"))
MASTERS = {each.name: each for each in (RING, OTHER, SPARE)}
WIDE = {"debounce_ms": 0, "preset_limit_mm": D("0.1"), "check_limit_mm": D("0.004")}


class Day:
    """Two masterings, each with two readings; the first ring checks the second, and a spare one the first."""

    def __init__(self) -> None:
        self.hand = Hand(set_up(WIDE, masters=MASTERS, thermometers={"air": AIR}, lot_checks=False))
        self.hand.master("38.004", "38.004")
        self.first = self.at()
        self.hand.check("38.004")
        self.readings = [self.show("38.010")]
        self.hand.check("38.004", "ring-3")
        self.spare = self.at()
        self.readings.append(self.show("38.011"))
        assert self.hand.master("38.5", "38.5").code == "refused"
        self.refused = self.at()
        self.readings.append(self.show("38.012"))
        self.hand.master("38.004", "38.004", ring="ring-2")
        self.second = self.at()
        self.hand.check("38.004")
        self.checked = self.at()
        self.hand.warm("21.00")
        self.readings.append(self.show("38.013"))

    def at(self) -> int:
        return len(self.hand.records)

    def show(self, digits: str) -> int:
        self.hand.show(digits)
        return self.at()

    def on(self, asked: Asked, through: int | None = None) -> Dependants:
        return dependants(Trail(self.hand.records), asked, through or self.at())

    def traced(self, asked: Asked, revision: Revision | None = None) -> Trace:
        return trace(Trail(self.hand.records), asked, revision or Revision(), self.at())


@pytest.fixture
def day() -> Day:
    return Day()


def test_what_rests_on_a_master(day: Day) -> None:
    """From its mastering to the next that was accepted, on whichever ring; a refused one between ends nothing."""
    for name, readings in (("ring-1", day.readings[:3]), ("ring-2", day.readings[3:]), ("ring-3", [])):
        assert [*day.on(Asked(What.MASTER, name)).chosen.readings] == readings
    for sequence, readings in ((day.first, day.readings[:3]), (day.second, day.readings[3:])):
        found = day.on(Asked(What.MASTERING, sequence=sequence)).chosen
        assert ([*found.readings], found.gauges) == (readings, frozenset())


def test_checks_on_a_master_rest_on_it_too(day: Day) -> None:
    """The gauges that were checked on it are followed, to its last check or the end of its last mastering's time."""
    first = day.on(Asked(What.MASTER, "ring-1")).chosen
    assert (first.gauges, first.through) == (frozenset({"bore-1"}), day.checked)
    spare = day.on(Asked(What.MASTER, "ring-3")).chosen
    assert (spare.gauges, spare.through) == (frozenset({"bore-1"}), day.spare)
    assert not spare.readings
    second = day.on(Asked(What.MASTER, "ring-2")).chosen
    assert (second.gauges, second.through) == (frozenset(), day.at())
    nothing = day.on(Asked(What.MASTER, "ring-9")).chosen
    assert (nothing.gauges, nothing.through) == (frozenset(), 0)
    assert not nothing.readings


def test_a_ring_that_only_checked_has_its_checks_traced(day: Day) -> None:
    """A spare ring that was 5 µm larger than thought passed a gauge that was off: the check alone is named."""
    asked = Asked(What.MASTER, "ring-3")
    larger = day.traced(asked, Revision(masters={"ring-3": {"size": D("38.0062")}}))
    assert larger.rows == ()
    (check,) = larger.checks
    assert (check.sequence, check.passes, check.made.error_mm) == (day.spare, False, D("-0.0050"))
    assert day.traced(asked, Revision(masters={"ring-3": {"size": D("38.0052")}})).checks == ()
    assert day.traced(asked).checks == ()


def test_both_rings_of_a_mastering_count(day: Day) -> None:
    """A mastering on two rings rests on the one as on the other."""
    day.hand.do(ev.BeginMastering("bore-1", ("ring-3", "ring-2"), ("R-3", "R-2"), readings=1))
    day.hand.show("38.0040")
    day.hand.show("38.0034")
    assert day.hand.last(Kind.MASTERING).code == "accepted"
    last = day.show("38.0100")
    assert [*day.on(Asked(What.MASTER, "ring-3")).chosen.readings] == [last]
    assert [*day.on(Asked(What.MASTER, "ring-2")).chosen.readings] == [day.readings[3], last]


@pytest.mark.parametrize("size", ["38.0006", "38.0005"])
def test_two_rings_keep_the_order_that_the_gauge_found_them_in(day: Day, size: str) -> None:
    """By a size that makes both rings equal, or exchanges them, nothing can be made again: it once divided by zero.

    What rests on one of them alone can.
    """
    day.hand.do(ev.BeginMastering("bore-1", ("ring-3", "ring-2"), ("R-3", "R-2"), readings=1))
    day.hand.show("38.0040")
    day.hand.show("38.0034")
    day.show("38.0100")
    asked = Asked(What.MASTER, "ring-3")
    equal = day.traced(asked, Revision(masters={"ring-3": {"size": D(size)}}))
    assert (equal.rows, equal.lost) == ((), 1)
    day.hand.master("38.004", "38.004", ring="ring-3")
    day.show("38.0110")
    later = day.traced(asked, Revision(masters={"ring-3": {"size": D(size)}}))
    assert ([row.base for row in later.rows], later.lost) == ([day.at()], 1)
    near = day.traced(asked, Revision(masters={"ring-3": {"size": D("38.0007")}}))
    assert [bool(row.changes) for row in near.rows] == [True, True]


@pytest.mark.parametrize("which", ["reading", "refused", "none"])
def test_what_is_no_mastering_is_refused(day: Day, which: str) -> None:
    """A reading, a mastering that was refused and a number beyond the last record are told for what they are."""
    sequence, what = {
        "reading": (day.readings[0], "a reading"),
        "refused": (day.refused, "a mastering"),
        "none": (day.at() + 1, "no record"),
    }[which]
    with pytest.raises(ValueRefused, match=f"record {sequence} is {what}, not a mastering that was accepted"):
        day.on(Asked(What.MASTERING, sequence=sequence))


def test_a_gauge_has_all_that_it_measured(day: Day) -> None:
    """Whatever it rests on; another gauge has none of it."""
    assert [*day.on(Asked(What.GAUGE, "bore-1")).chosen.readings] == day.readings
    assert day.on(Asked(What.GAUGE, "bore-9")).chosen.readings == {}


def test_a_thermometer_has_what_it_warmed(day: Day) -> None:
    """Readings before the first temperature do not depend on it; what took one names the thermometer."""
    found = day.on(Asked(What.THERMOMETER, "air")).chosen
    assert [*found.readings] == day.readings[3:]
    assert [row.base for row in day.traced(Asked(What.THERMOMETER, "air")).rows] == day.readings[3:]
    assert day.traced(Asked(What.THERMOMETER, "probe")).rows == ()


def test_a_period_has_its_first_moment_and_not_its_last(day: Day) -> None:
    """From the moment of the second reading, up to that of the third: the second alone; either end may be open."""
    _, second, third, _ = (day.hand.records[at - 1].measured_at for at in day.readings)

    def measured(since: int | None, until: int | None) -> list[int]:
        return [*day.on(Asked(What.GAUGE, "bore-1", since_ms=since, until_ms=until)).chosen.readings]

    assert measured(second, third) == day.readings[1:2]
    assert measured(second, third + 1) == day.readings[1:3]
    assert measured(second + 1, None) == day.readings[2:]
    assert measured(None, second) == day.readings[:1]
    assert measured(0, 1) == []
    checked = day.hand.records[day.spare - 1].measured_at
    for since, gauges in ((checked, {"bore-1"}), (checked + 1, frozenset())):
        assert day.on(Asked(What.MASTER, "ring-3", since_ms=since)).chosen.gauges == gauges


def test_what_came_later_is_left_out(day: Day) -> None:
    """Up to a record: readings after it are not there, nor is what was said of earlier ones after it."""
    asked, through = Asked(What.GAUGE, "bore-1"), day.readings[1]
    day.hand.do(ev.Void(through, day.hand.records[through - 1], "chip", operator="M1"))
    assert [*day.on(asked, through).chosen.readings] == day.readings[:2]
    assert day.on(asked, through).replaced.base(day.at()) == day.at()
    assert day.on(asked).replaced.base(day.at()) == through
    assert day.traced(asked).voided == 1


@pytest.mark.parametrize("moment", ["long before", "at its end", "beyond its end"])
def test_a_clock_that_was_set_puts_no_reading_into_a_period(day: Day, moment: str) -> None:
    """What was recorded between two readings of a period, when the clock stood elsewhere, is not of that period."""
    _, second, _, last = (day.hand.records[at - 1].measured_at for at in day.readings)
    until = last + 1000
    records, odd = list(day.hand.records), day.readings[2] - 1
    told = {"long before": 0, "at its end": until, "beyond its end": until + 1}[moment]
    records[odd] = replace(records[odd], measured_at=told)
    asked = Asked(What.GAUGE, "bore-1", since_ms=second, until_ms=until)
    found = dependants(Trail(records), asked, len(records)).chosen
    assert [*found.readings] == [day.readings[1], day.readings[3]]


def test_what_became_of_the_first_is_known(day: Day) -> None:
    """What was said of a reading before later ones were made is looked up as well."""
    first = day.readings[0]
    day.hand.do(ev.Void(first, day.hand.records[first - 1], "chip", operator="M1"))
    void = day.at()
    day.show("38.012")
    assert day.on(Asked(What.GAUGE, "bore-1")).replaced.base(void) == first


def test_a_form_brings_its_members_along() -> None:
    """Where each place has a verdict of its own, the form that they show rests on what they rest on."""
    places = {
        "top": PlaceEntry(angle_deg=D(0), depth_mm=D(2)),
        "low": PlaceEntry(angle_deg=D(0), depth_mm=D(20)),
    }
    bore = {"combine": Combine.EACH, "positions": tuple(places), "places": places}
    hand = Hand(set_up({"debounce_ms": 0}, bore, lot_checks=False)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")
    hand.show("38.012")
    (form,) = (at for at, record in enumerate(hand.records, 1) if record.kind is Kind.FORM)
    found = dependants(Trail(hand.records), Asked(What.GAUGE, "bore-1"), len(hand.records)).chosen
    assert [*found.several] == [form]


def test_no_more_is_traced_at_once_than_can_be(day: Day, monkeypatch: pytest.MonkeyPatch) -> None:
    """As many as can be traced at once are; with one more a shorter period is asked for."""
    asked = Asked(What.GAUGE, "bore-1")
    monkeypatch.setattr(module, "MOST_TRACED", 4)
    assert len(day.on(asked).chosen.readings) == 4
    monkeypatch.setattr(module, "MOST_TRACED", 3)
    with pytest.raises(ValueRefused, match="more than 3 readings depended on it"):
        day.on(asked)


def test_names_are_all_that_ever_were(day: Day) -> None:
    """A ring, a gauge or a thermometer that left the station file is traced by its name, once it was there."""
    before = day.at()
    first = day.hand.set_up
    day.hand.load(replace(first, masters={"ring-4": replace(RING, name="ring-4")}, thermometers={}))
    names = known_names(Trail(day.hand.records), day.at())
    assert names[What.MASTER] == {"ring-1", "ring-2", "ring-3", "ring-4"}
    assert (names[What.GAUGE], names[What.THERMOMETER]) == ({"bore-1"}, {"air"})
    assert known_names(Trail(day.hand.records), before)[What.MASTER] == {"ring-1", "ring-2", "ring-3"}


def of_two(pieces: int) -> Hand:
    """Measure pieces at two places each, the larger size of which counts."""
    bore = {"combine": Combine.LARGEST, "positions": ("top", "mid")}
    hand = Hand(set_up({"debounce_ms": 0}, bore, lot_checks=False)).ready()
    for piece in range(pieces):
        hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": str(piece)}))
        hand.show("38.010")
        hand.show("38.012")
    return hand


def test_a_result_brings_its_other_members_along() -> None:
    """Asked for the time of one reading, the result that it is a member of is traced, with the member before it."""
    hand = of_two(3)
    results = [at for at, record in enumerate(hand.records, 1) if record.kind is Kind.RESULT]
    for result in results:
        first, second = hand.records[result - 1].members or ()
        for member in (first, second):
            since = hand.records[member - 1].measured_at
            asked = Asked(What.GAUGE, "bore-1", since_ms=since, until_ms=since + 1)
            found = dependants(Trail(hand.records), asked, len(hand.records)).chosen
            assert [*found.readings] == [first, second]
            assert [*found.several] == [result]
            assert found.bases == {first: first, second: second}
            before = dependants(Trail(hand.records), asked, result - 1).chosen
            assert (before.several, [*before.readings]) == ({}, [member])


def test_a_member_that_was_replaced_has_its_base() -> None:
    """A result that names an amended reading rests on what that began as; what the later result names is told."""
    hand = of_two(1)
    result = len(hand.records)
    first, second = hand.records[result - 1].members or ()
    asked = Asked(What.GAUGE, "bore-1")
    again = trace(Trail(hand.records), asked, Revision(masters={"ring-1": {"size": D("38.0002")}}), result)
    assert [row.base for row in again.rows] == [first, second, result]
    assert all(row.changes for row in again.rows)
    assert (again.lost, again.voided, again.bases) == (0, 0, {first: first, second: second})


def test_a_member_under_another_mastering_did_not_depend_on_this_one() -> None:
    """A bore measured half on one ring and half on another: the result rests on both, each reading on its own.

    The other one was once listed as a dependant, and marked as suspect for a ring that it never had to do with.
    """
    bore = {"combine": Combine.LARGEST, "positions": ("top", "mid")}
    hand = Hand(set_up(WIDE, bore, masters=MASTERS, lot_checks=False)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")
    first = len(hand.records)
    hand.master("38.004", "38.004", ring="ring-2")
    hand.check("38.004", "ring-2")
    hand.show("38.012")
    result, second = len(hand.records), len(hand.records) - 1
    assert hand.records[-1].members == (first, second)
    trail = Trail(hand.records)
    for master, own, other in (("ring-1", first, second), ("ring-2", second, first)):
        asked = Asked(What.MASTER, master)
        found = trace(trail, asked, Revision(), result)
        assert [row.base for row in found.rows] == [own, result]
        assert [row.base for row in found.others] == [other]
        marked = [(each.first, each.last, each.count) for each in doubtful(trail, found)]
        assert marked == ([(own, own, 1), (result, result, 1)] if own == first else [(own, result, 1)])
        larger = Revision(masters={master: {"size": MASTERS[master].size_mm + D("0.001")}})
        again = [each.sequence for each in to_rejudge(trace(trail, asked, larger, result))]
        assert again == [own, result]


def test_a_member_from_before_the_period_that_changes_is_judged_again_with_its_result() -> None:
    """Else a result would say what none of its members says."""
    hand = of_two(1)
    result = len(hand.records)
    first, second = hand.records[result - 1].members or ()
    asked = Asked(What.MASTER, "ring-1", since_ms=hand.records[second - 1].measured_at)
    larger = Revision(masters={"ring-1": {"size": D("38.0022")}})
    trail = Trail(hand.records)
    assert [row.base for row in trace(trail, asked, Revision(), result).rows] == [second, result]
    assert [row.base for row in trace(trail, asked, larger, result).rows] == [first, second, result]


@pytest.mark.parametrize(("derivation", "kept"), [(4, False), (DERIVATION, True)])
@pytest.mark.parametrize("unit", [None, Unit.MM])
def test_what_was_sent_while_a_ring_was_read_and_not_taken_has_no_numbers(
    unit: Unit | None, derivation: int, kept: bool
) -> None:
    """It is listed with its gauge and stays as it is: no value is made of it, and its own reason is kept.

    Rules until 4 lost that; what they made is derived as they did.
    """
    scanned = {"confirm": Confirm.SCAN}
    scanner = ScannerEntry(name="hand", link="usb-9", codes=("SN-{serial_number}",))
    hand = Hand(set_up(scanned, scanners={"hand": scanner}), State(derivation=derivation))
    begun = hand.do(ev.BeginMastering("bore-1", ("ring-1",), (), readings=1))
    assert begun.reply.accepted, begun.reply
    sent = hand.show("38.004", unit=unit)
    assert (sent.kind, sent.verdict) == (Kind.READING, "not-judged")
    trail, asked = Trail(hand.records), Asked(What.GAUGE, "bore-1")
    for revision in (Revision(), Revision(masters={"ring-1": {"size": D("38.0002")}})):
        (row,) = trace(trail, asked, revision, len(hand.records)).rows
        assert (row.made == sent) is kept


def test_what_was_measured_for_no_characteristic_has_a_value_all_the_same() -> None:
    """Nobody judged it; it is made again with the rest, under a corrected size too."""
    hand = Hand(set_up(characteristics={})).ready()
    reading = hand.show("38.010")
    assert (reading.reasons, reading.value_mm) == (
        ("no characteristic is selected for this gauge",),
        D("38.007200000"),
    )
    trail, asked = Trail(hand.records), Asked(What.MASTER, "ring-1")
    (row,) = trace(trail, asked, Revision(), len(hand.records)).rows
    assert row.made == reading
    (row,) = trace(trail, asked, Revision(masters={"ring-1": {"size": D("38.0002")}}), len(hand.records)).rows
    assert row.made.value_mm == D("38.006200000")


def measured_on_two(digits: str, second: str) -> Hand:
    """Measure once, mastered on two rings of which the second is of this size."""
    sizes = (("a", "38"), ("b", second))
    rings = {name: replace(KNOWN_RING, name=name, size_mm=D(size)) for name, size in sizes}
    hand = Hand(replace(known(masters=rings), lot_checks=False))
    hand.do(ev.BeginMastering("bore-1", ("a", "b"), ("R-1", "R-1"), readings=1))
    hand.show("38.0000")
    hand.show("38.0200")
    hand.check("38.0200", "b")
    hand.show(digits)
    return hand


@pytest.mark.parametrize("digits", ["38.0100", "38.1000", "37.9000"])
def test_two_masters_count_in_a_trace_where_the_value_lies(digits: str) -> None:
    """Beyond the limits too: it comes to what would have been recorded with the ring of that size."""
    hand = measured_on_two(digits, "38.0200")
    revision = Revision(masters={"b": {"size": D("38.0210")}})
    (row,) = trace(Trail(hand.records), Asked(What.MASTER, "b"), revision, len(hand.records)).rows
    expected = measured_on_two(digits, "38.0210").records[-1]
    assert expected.value_mm is not None and expected.standard_uncertainty_mm is not None
    r = float(expected.value_mm - 38) / 0.021
    rings_mm = 0.0004 * math.hypot(
        1 - r, r
    )  # of a line through both (JCGM 100:2008, 5.1.2), without what is read
    assert expected.standard_uncertainty_mm > rings_mm
    assert (row.made.value_mm, row.made.standard_uncertainty_mm) == (
        expected.value_mm,
        expected.standard_uncertainty_mm,
    )
