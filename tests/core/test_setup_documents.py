"""A set-up, or any frozen value of the core, as a document: the same value, to the last digit, years later."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal as D

import pytest

from gaugepost.core.conformity import RuleName, rule
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import (
    LotCheck,
    PlaceEntry,
    Requirement,
    from_document,
    from_plain,
    to_document,
    to_plain,
)
from tests.core.station import AIR, set_up


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    """A field that it can do without, and one whose default is no None."""

    depth: D | None = None
    limit: D | None = D("0.5")


@dataclass(frozen=True, slots=True, kw_only=True)
class Everything:
    """One of each kind of field that the core keeps."""

    name: str
    count: int = 0
    raw: bytes = b""
    unit: Unit | None = None
    pair: tuple[str, D] | None = None
    row: tuple[D, ...] = ()
    inner: Inner | None = None
    links: frozenset[str] = frozenset()
    units: frozenset[tuple[Unit, D]] = frozenset()
    seen: frozenset[tuple[str, str | None]] = frozenset()
    by_name: Mapping[str, Inner] | None = None
    by_place: Mapping[tuple[str, str | None], int] | None = None


WHOLE = Everything(
    name="Bohrung Ø",
    count=7,
    raw=b"\x00\xff",
    unit=Unit.INCH,
    pair=("ring-1", D("38.00120")),
    row=(D("1E-7"), D("2.50")),
    inner=Inner(depth=D(3), limit=None),
    links=frozenset({"usb-2", "usb-1"}),
    units=frozenset({(Unit.MM, D("0.001")), (Unit.INCH, D("0.0001"))}),
    seen=frozenset({("1", None), ("1", "left")}),
    by_name={"b": Inner(), "a": Inner(depth=D("1.0"))},
    by_place={("1", None): 1, ("1", "left"): 2, ("0", "left"): 3},
)


@pytest.mark.parametrize("value", [WHOLE, Everything(name="bare")], ids=["whole", "bare"])
def test_a_value_comes_back_as_it_was(value: Everything) -> None:
    """Every kind of field survives JSON, digits with their zeros, and words as words."""
    again = from_plain(Everything, json.loads(json.dumps(to_plain(value))))
    assert again == value
    assert repr(again.row) == repr(value.row)
    assert type(again.unit) is type(value.unit)


def test_plain_is_what_any_json_can_hold() -> None:
    """Sets and mappings by other keys than text are sorted, and equal values make equal text; None needs no word."""
    plain = to_plain(WHOLE)
    assert plain == {
        "name": "Bohrung Ø",
        "count": 7,
        "raw": "00ff",
        "unit": "in",
        "pair": ["ring-1", "38.00120"],
        "row": ["1E-7", "2.50"],
        "inner": {"depth": "3", "limit": None},
        "links": ["usb-1", "usb-2"],
        "units": [["in", "0.0001"], ["mm", "0.001"]],
        "seen": [["1", "left"], ["1", None]],
        "by_name": {"b": {"limit": "0.5"}, "a": {"depth": "1.0", "limit": "0.5"}},
        "by_place": [[["0", "left"], 3], [["1", "left"], 2], [["1", None], 1]],
    }
    assert type(plain["unit"]) is str
    assert to_plain(Everything(name="bare")) == {
        "name": "bare", "count": 0, "raw": "", "row": [], "links": [], "units": [], "seen": [],
    }  # fmt: skip


def test_keys_of_which_some_are_text_are_kept_as_pairs() -> None:
    """An object's keys are text; a mapping with others beside is a list of pairs, or they would run together."""
    assert to_plain({"1": "text", 1: "number"}) == [["1", "text"], [1, "number"]]


def test_equal_set_ups_make_the_same_text() -> None:
    """Whatever order a station file is written in: a start finds by the text whether anything was changed."""
    one = set_up(thermometers={"air": AIR, "bench": replace(AIR, name="bench")})
    other = set_up(thermometers={"bench": replace(AIR, name="bench"), "air": AIR})
    assert to_document(one) == to_document(other)
    assert to_document(replace(one, station="Prüfplatz")).startswith('{"characteristics":{"A":{"')
    assert (
        '"station":"Prüfplatz","thermometers":{"air":{"answer_within_ms":1000,"body":"air",'
        in to_document(replace(one, station="Prüfplatz"))
    )


def test_a_set_up_is_the_one_that_was_written() -> None:
    """Everything that decides what a frame becomes comes back: rules, places, words and lengths."""
    made = set_up(
        gauge={
            "size_range_mm": (D("35"), D("40.0")),
            "contact_sets": ("short", "long"),
            "check_at_min": (480,),
        },
        characteristic={
            "rule": rule(RuleName.ACCEPTANCE_BY_PROBABILITY, D("0.95")),
            "places": {"0/5": PlaceEntry(angle_deg=D(0), depth_mm=D(5))},
            "not_judged": (Requirement.ENVELOPE,),
        },
        thermometers={"air": AIR},
        lot_checks_asked=(LotCheck.OPENING,),
        level=D("0.95"),
    )
    assert from_document(to_document(made)) == made


def test_a_document_from_before_a_field_takes_its_default() -> None:
    """An old journal's set-up lacks what was added since."""
    document = json.loads(to_document(set_up()))
    del document["gauges"]["bore-1"]["debounce_ms"], document["declared"]
    assert from_document(json.dumps(document)) == set_up()


@pytest.mark.parametrize(
    "plain",
    [
        {"name": "x", "pair": ["ring-1"]},
        {"name": "x", "pair": ["ring-1", "38", "39"]},
        {"name": "x", "row": ["wide"]},
        {"name": "x", "unit": "furlong"},
        {"name": "x", "raw": "0"},
        {"name": "x", "colour": "red"},
        {"count": 1},
        ["x"],
    ],
    ids=str,
)
def test_what_was_made_of_no_such_value_is_refused(plain: object) -> None:
    """A document that was damaged, or is of another program, is an error and never half a value."""
    with pytest.raises((ValueError, TypeError, KeyError, ArithmeticError, AttributeError)):
        from_plain(Everything, plain)
