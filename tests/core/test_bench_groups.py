"""Which readings belong together: by piece, lot and place, once each, and what is made of them when all are there."""

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.combining import judged_of, place_of
from gaugepost.core.frozen import changed
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Combine, Contact, PlaceEntry
from tests.core.station import BORE, Hand, set_up
from tests.core.test_uncertainty_gauging import known

TWO = {"top": PlaceEntry(depth_mm=D(2)), "bottom": PlaceEntry(depth_mm=D(20))}


def bench(contact: Contact = Contact.TWO_POINT, **characteristic: Any) -> Hand:
    return Hand(set_up({"contact": contact}, characteristic)).ready()


def shown(hand: Hand, *digits: str) -> list[Record]:
    return [hand.show(each) for each in digits]


def made(hand: Hand, kind: Kind = Kind.RESULT) -> list[Record]:
    return [record for record in hand.records if record.kind is kind]


@pytest.mark.parametrize("tags", [{"piece": "2"}, {"lot": "L2"}])
def test_another_piece_or_lot_has_a_result_of_its_own(tags: dict[str, str]) -> None:
    """A piece put away half measured leaves nothing in the next one's result, which begins at the first place."""
    hand = Hand(
        set_up(characteristic={"combine": Combine.MEAN, "positions": ("top", "bottom")}, lot_checks=False)
    )
    hand.ready()
    hand.do(ev.SetTags({"lot": "L1", "piece": "1"}))
    shown(hand, "38.020")
    hand.do(ev.SetTags({"piece": "1"} | tags))
    assert [reading.position for reading in shown(hand, "38.010", "38.012")] == ["top", "bottom"]
    (result,) = made(hand)
    assert result.value_mm == D("38.0082")
    assert len(result.members or ()) == 2


def test_a_place_measured_again_counts_as_it_was_last() -> None:
    """A place that is complete can be measured again before the last one is: what it showed first counts no more."""
    hand = bench(combine=Combine.MEAN, positions=("top", "bottom"))
    hand.do(ev.SetTags({"piece": "1", "position": "top"}))
    shown(hand, "38.020", "38.010")
    assert made(hand) == []
    hand.do(ev.SetTags({"position": "bottom"}))
    shown(hand, "38.014")
    (result,) = made(hand)
    assert result.value_mm == D("38.0092")


def test_repeats_at_a_place_come_before_the_next_place() -> None:
    """With two readings at each place, both are taken at the first, then both at the second; then the next attempt."""
    hand = bench(positions=("top", "bottom"), readings=2)
    hand.do(ev.SetTags({"piece": "1"}))
    readings = shown(hand, "38.010", "38.011", "38.012", "38.013", "38.014")
    assert [(each.position, each.attempt) for each in readings] == [
        ("top", 1), ("top", 1), ("bottom", 1), ("bottom", 1), ("top", 2),
    ]  # fmt: skip


def test_places_are_walked_through_without_a_piece_too() -> None:
    """Where a form is to be shown, places follow one another though nobody names pieces; not so by earlier rules."""
    hand = bench(positions=tuple(TWO), places=TWO)
    assert [each.position for each in shown(hand, "38.010", "38.012", "38.014")] == ["top", "bottom", "top"]
    entry = hand.set_up.characteristics["A"]
    assert place_of(hand.state, entry) == "bottom"
    assert place_of(changed(hand.state, derivation=3), entry) == "top"
    assert place_of(changed(hand.state, derivation=4), entry) == place_of(hand.state, entry) != "top"


@pytest.mark.parametrize(
    ("several", "said"),
    [
        ({"combine": Combine.EACH}, "reading"),
        ({"combine": Combine.LARGEST, "readings": 3}, "largest of 3"),
        ({"combine": Combine.MEAN, "readings": 2, "positions": ("top", "bottom")}, "mean of 4"),
        ({"combine": Combine.SMALLEST, "positions": ("top", "bottom")}, "smallest of 2"),
        (
            {"combine": Combine.MEDIAN, "readings": 2, "positions": ("a", "b", "c")},
            "median of 3, each the mean of 2",
        ),
    ],
)
def test_what_is_judged_is_said(several: dict[str, Any], said: str) -> None:
    """A size modifier is about places: only there are repeats averaged first, and the record says what was made."""
    entry = replace(BORE, **several)
    assert judged_of(entry) == said
    hand = bench(**several)
    count = entry.readings * max(1, len(entry.positions))
    shown(hand, *(f"38.01{at}" for at in range(count)))
    assert [result.text for result in made(hand)] == ([] if entry.combine is Combine.EACH else [said])


def test_three_contacts_turned_by_half_are_somewhere_else() -> None:
    """Only two contacts measure the same diameter half a turn on: three places of a three-point head weigh the same."""
    places = {
        "0": PlaceEntry(angle_deg=D(0), depth_mm=D(2)),
        "180": PlaceEntry(angle_deg=D(180), depth_mm=D(2)),
        "90": PlaceEntry(angle_deg=D(90), depth_mm=D(2)),
        "in": PlaceEntry(depth_mm=D(20)),
    }
    sizes = ("38.010", "38.012", "38.017", "38.013")
    hand = bench(Contact.THREE_POINT, positions=tuple(places), places=places)
    shown(hand, *sizes)
    assert made(hand, Kind.FORM)[0].taper_mm == 0  # (10 + 12 + 17) / 3 = 13
    hand = bench(positions=tuple(places), places=places)
    shown(hand, *sizes)
    assert made(hand, Kind.FORM)[0].taper_mm == D("-0.001")  # ((10 + 12) / 2 + 17) / 2 = 14


def test_what_contacts_can_see_is_told_beside_what_they_can_not() -> None:
    """A three-point head states taper, barrel and bell-mouth; where angles are all there is, that it sees no oval."""
    depths = {f"{depth}": PlaceEntry(depth_mm=D(depth)) for depth in (2, 12, 22)}
    angles = {f"{angle}°": PlaceEntry(angle_deg=D(angle), depth_mm=D(2)) for angle in (0, 60)}
    both = angles | {name: place for name, place in depths.items() if name != "2"}
    sizes = ("38.016", "38.016", "38.008", "38.010")
    form = []
    for contact in (Contact.THREE_POINT, Contact.TWO_POINT):
        hand = bench(contact, positions=tuple(both), places=both)
        shown(hand, *sizes)
        form += made(hand, Kind.FORM)
    assert form[0].ovality_mm is None
    assert form[1].ovality_mm == 0
    for name in ("taper_mm", "barrel_mm", "bell_mouth_mm"):
        assert getattr(form[0], name) == getattr(form[1], name) != 0
    hand = bench(Contact.THREE_POINT, positions=tuple(angles), places=angles)
    shown(hand, "38.010", "38.014")
    (alone,) = made(hand, Kind.FORM)
    assert (alone.ovality_mm, alone.taper_mm) == (None, None)
    assert alone.reasons == ("three-point contact can't see an oval: no ovality is stated",)


def test_a_form_has_the_largest_coverage_factor_of_its_figures() -> None:
    """An oval known by few readings of one gauge beside a taper from two: k is Student's t at 2 degrees of freedom."""
    made = known()
    seldom = replace(made.gauges["bore-1"], repeatability_mm=None, contact=Contact.TWO_POINT)
    often = replace(made.gauges["bore-1"], name="bore-2", channel="2", contact=Contact.TWO_POINT)
    places = {
        "0": PlaceEntry(angle_deg=D(0), depth_mm=D(2)),
        "90": PlaceEntry(angle_deg=D(90), depth_mm=D(2)),
        "in": PlaceEntry(depth_mm=D(20)),
    }
    entry = replace(BORE, positions=tuple(places), places=places, gauges=("bore-1", "bore-2"))
    hand = Hand(replace(made, gauges={"bore-1": seldom, "bore-2": often}, characteristics={"A": entry}))
    for gauge, readings in (("bore-1", ("38.002", "38.005", "38.004")), ("bore-2", ("38.004",))):
        hand.do(ev.BeginMastering(gauge, ("ring-1",), ("R-1",), readings=len(readings)))
        for each in readings:
            hand.show(each, gauge=gauge)
        hand.do(ev.BeginCheck(gauge, "ring-1", "R-1", readings=1))
        hand.show("38.004", gauge=gauge)
    for gauge, each in (("bore-1", "38.010"), ("bore-1", "38.016"), ("bore-2", "38.008")):
        hand.show(each, gauge=gauge)
    form = hand.last(Kind.FORM)
    assert form.degrees_of_freedom == 2
    assert float(form.coverage_factor or 0) == pytest.approx(
        4.53, abs=0.005
    )  # GUM, Table G.2, 95.45 % (from memory)
    assert None not in (form.ovality_uncertainty_mm, form.taper_uncertainty_mm)
