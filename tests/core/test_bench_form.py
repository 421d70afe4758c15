"""The form that a feature's declared places show: recorded once all of them are measured, derived again, voided."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION, Entry, Kind
from gaugepost.core.setup import Combine, Contact, PlaceEntry
from gaugepost.edge.decoding import Decoders
from tests.core.station import Hand, set_up
from tests.core.test_uncertainty_gauging import LINKS

PLACES = {
    f"{depth}-{angle}": PlaceEntry(angle_deg=D(angle), depth_mm=D(depth))
    for depth in (2, 12, 22)
    for angle in (0, 60, 120)
}
SIZES = ("38.016", "38.012", "38.011", "38.010", "38.008", "38.006", "38.009", "38.006", "38.006")
"""As the gauge shows them, 3 µm too much: a bore that is oval, and wider at its mouth."""


def bench(contact: Contact = Contact.TWO_POINT, **characteristic: object) -> Hand:
    """A gauge that was mastered and checked, and a bore with places in hand."""
    said = {"positions": tuple(PLACES), "places": PLACES} | characteristic
    hand = Hand(set_up({"contact": contact}, said, links=LINKS)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.check("38.004")
    return hand


def forms(hand: Hand) -> list[object]:
    return [record for record in hand.records if record.kind is Kind.FORM]


def test_form_is_recorded_once_every_place_is_measured() -> None:
    """Ovality is the largest of any depth, taper, barrel and bell-mouth are of the depths' means (derived)."""
    hand = bench()
    for at, size in enumerate(SIZES):
        assert forms(hand) == []
        assert hand.show(size).position == list(PLACES)[at]
    form = hand.last(Kind.FORM)
    assert (form.ovality_mm, form.taper_mm) == (D("0.005"), D("-0.006"))
    assert (form.barrel_mm, form.bell_mouth_mm) == (D("-0.002"), D("0.004"))
    assert (form.characteristic, form.lot, form.piece, form.operator) == ("A", "L1", "1", "M1")
    readings = [at for at, record in enumerate(hand.records, 1) if record.kind is Kind.READING]
    assert form.members == tuple(readings)
    assert (form.unit, form.derivation) == (Unit.MM, DERIVATION)
    assert (form.verdict, form.uncertainty_mm, form.reasons) == (None, None, None)
    assert form.uncertainty_reasons is not None
    assert [record.verdict for record in hand.records if record.kind is Kind.READING] == ["in-limits"] * 9
    assert Kind.RESULT not in [record.kind for record in hand.records]  # each place was judged by itself


def test_form_is_derived_again() -> None:
    """`verify` makes the form anew from the readings' bytes, and finds one that was changed."""
    hand = bench(combine=Combine.LARGEST, size_modifier="SX")
    for size in SIZES:
        hand.show(size)
    assert [record.kind for record in hand.records[-3:]] == [Kind.READING, Kind.RESULT, Kind.FORM]

    def found(records: list[object]) -> list[tuple[int, tuple[str, ...]]]:
        entries = [Entry(at, b"", each) for at, each in enumerate(records, 1)]  # type: ignore[arg-type]
        came = differences(entries, Decoders())
        return [(each.sequence, each.fields) for each in came if isinstance(each, Difference)]

    assert found([*hand.records]) == []
    forged = replace(hand.records[-1], ovality_mm=D("0.001"))
    assert found([*hand.records[:-1], forged]) == [(len(hand.records), ("ovality_mm",))]


@pytest.mark.parametrize(
    ("contact", "word"), [(Contact.THREE_POINT, "three-point"), (Contact.SINGLE, "single")]
)
def test_no_ovality_from_contacts_that_see_none(contact: Contact, word: str) -> None:
    """Three contacts show one size all around an oval: what their angles differ by is not called ovality."""
    hand = bench(contact)
    for size in SIZES:
        hand.show(size)
    form = hand.last(Kind.FORM)
    assert form.ovality_mm is None
    assert form.taper_mm == D("-0.006")
    assert form.reasons == (f"{word} contact can't see an oval: no ovality is stated",)


def test_a_diameter_half_a_turn_on_is_the_same_one() -> None:
    """With two contacts 0° and 180° are one diameter: what differs there is repeatability, not ovality."""
    turned = {
        "a": PlaceEntry(angle_deg=D(0)),
        "b": PlaceEntry(angle_deg=D(180)),
        "c": PlaceEntry(angle_deg=D(90)),
    }
    hand = bench(positions=tuple(turned), places=turned)
    for size in ("38.010", "38.012", "38.015"):
        hand.show(size)
    assert hand.last(Kind.FORM).ovality_mm == D("0.004")


def test_places_without_angle_and_depth_show_no_form() -> None:
    """Names alone are judged each, and no form is claimed; neither from one depth."""
    names = bench(positions=("top", "bottom"), places=None)
    one = bench(positions=("top", "bottom"), places={"top": PlaceEntry(depth_mm=D(2))})
    for hand in (names, one):
        hand.show("38.010")
        hand.show("38.012")
        assert forms(hand) == []


def test_what_is_in_doubt_shows_no_form() -> None:
    """A reading that is not judged has no part in a form; the place is measured again, then it is complete."""
    two = {"top": PlaceEntry(depth_mm=D(2)), "bottom": PlaceEntry(depth_mm=D(20))}
    hand = bench(positions=tuple(two), places=two)
    hand.show("38.010")
    hand.do(ev.Report("bore-1", "knock"))
    assert hand.show("38.012").verdict == "not-judged"
    assert forms(hand) == []
    hand.check("38.004")
    hand.do(ev.SetTags({"position": "bottom"}))
    hand.show("38.013")
    assert hand.last(Kind.FORM).taper_mm == D("0.003")


def test_each_round_of_places_is_a_form_of_its_own() -> None:
    """Measured all around again, places show another form; another piece begins anew."""
    two = {"top": PlaceEntry(depth_mm=D(2)), "bottom": PlaceEntry(depth_mm=D(20))}
    hand = bench(positions=tuple(two), places=two)
    for size in ("38.010", "38.012", "38.011", "38.012", "38.010"):
        hand.show(size)
    hand.do(ev.SetTags({"piece": "2"}))
    for size in ("38.013", "38.018"):
        hand.show(size)
    made = [record for record in hand.records if record.kind is Kind.FORM]
    assert [(form.piece, form.taper_mm) for form in made] == [
        ("1", D("0.002")), ("1", D("0.001")), ("2", D("0.005")),
    ]  # fmt: skip


def test_a_form_goes_with_its_readings() -> None:
    """Voiding a reading voids the form it is in; amending one does too, and says why."""
    two = {"top": PlaceEntry(depth_mm=D(2)), "bottom": PlaceEntry(depth_mm=D(20))}
    hand = bench(positions=tuple(two), places=two)
    hand.show("38.010")
    reading, sequence = hand.show("38.012"), hand.state.sequence - 1
    form = hand.state.sequence
    made = hand.do(ev.Amend(sequence, reading, {"piece": "2"}, "called out wrong", (), (form,))).records
    assert [(record.kind, record.replaces) for record in made] == [
        (Kind.AMENDMENT, sequence), (Kind.VOID, form),
    ]  # fmt: skip
    assert made[1].text == f"record {sequence} was amended: called out wrong"
    first = hand.records.index(next(r for r in hand.records if r.kind is Kind.READING)) + 1
    made = hand.do(ev.Void(first, hand.records[first - 1], "dirt", (form,))).records
    assert [record.replaces for record in made] == [first]
    assert hand.do(ev.Void(form, hand.records[form - 1], "again")).reply.accepted is False
