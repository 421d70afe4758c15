"""Whoever does what teaching advises next gets to a description, and never to a wrong one."""

from __future__ import annotations

import random
from decimal import Decimal

import pytest

from gaugepost.teach import Ask, Evidence, Outlook, search
from tests.teach.following import Person, followed
from tests.teach.test_teach_search import GAUGE, KINDS, held_out, outlook_of
from tests.teach.unknown_gauges import gauge


def follow(seeds: range, *, careless: bool = False) -> tuple[int, list[str]]:
    """How many gauges are decided within six measurements, and what of them is read wrong."""
    decided, wrong = 0, []
    for seed in seeds:
        dice = random.Random(seed)
        person = Person(gauge(dice), dice, careless)
        outlook = followed(person, lambda evidence: search(evidence, KINDS))
        if outlook.accepted is not None:
            found = outlook.accepted
            decided += 1
            wrong += held_out(person.one, found.kind, found.settings, dice)[1][:1]
    return decided, wrong


def test_the_advice_leads_to_a_decision() -> None:
    """Three measurements and then what is asked for: nearly all gauges are decided within six, each read right."""
    decided, wrong = follow(range(5000, 5010))
    assert not wrong
    assert decided >= 9


@pytest.mark.attack
@pytest.mark.parametrize(("careless", "least"), [(False, 0.95), (True, 0.7)])
def test_the_advice_leads_most_to_a_decision(careless: bool, least: float) -> None:
    """The same with many more, also where a person mistypes now and then and other traffic comes in between."""
    seeds = range(5100, 5160)
    decided, wrong = follow(seeds, careless=careless)
    assert not wrong
    assert decided >= least * len(seeds)


def _signed(*values: int) -> Outlook:
    pairs = [(f"{Decimal(value).scaleb(-3)} mm", value.to_bytes(4, "big", signed=True)) for value in values]
    return outlook_of(*pairs, packets=True)


def test_where_all_are_negative_a_positive_value_is_asked_for() -> None:
    """Another negative value would not tell how wide a number is whose leading bytes are all ones; a positive does."""
    values = (-12_345, -7_891, -23_072, -916)
    outlook = _signed(*values)
    assert outlook.accepted is None
    assert outlook.next_measurements[0].ask is Ask.POSITIVE
    settled = _signed(*values, 18_206)
    assert settled.accepted is not None, settled.reason


def test_two_that_do_not_fit_are_named_one_after_the_other() -> None:
    """Two of six typed wrong: the first is named, without it the second, and without both it is decided."""
    wrong = (("9.916 mm", b"+0009.961\r"), ("5.208 mm", b"+0005.280\r"))
    right = (*GAUGE, ("4.207 mm", b"+0004.207\r"))
    both, one, none = outlook_of(*right, *wrong), outlook_of(*right, wrong[1]), outlook_of(*right)
    assert both.conflict is not None
    assert (both.conflict.sample, both.conflict.agree, both.conflict.reads) == (5, (1, 2, 3, 4), "9.961 mm")
    assert one.conflict is not None
    assert one.conflict.sample == 5
    assert both.accepted is None and one.accepted is None
    assert none.accepted is not None


def test_the_only_two_negative_values_are_no_slips() -> None:
    """Two negative values that nothing reads are not called slips: it is the sign that nothing reads."""
    pairs = [(f"{value} mm", f"{value:.3f}\r".encode()) for value in (12.345, 7.891, 3.072, 24.518)]
    strange = [("-9.616 mm", b"?9.616x\r"), ("-1.207 mm", b"!!1.207\r")]
    outlook = outlook_of(*pairs, *strange)
    assert outlook.accepted is None
    assert outlook.conflict is None


def test_what_the_gauge_can_not_show_is_not_asked_for() -> None:
    """Rivals that differ in the unit are told apart by other means where a person said that there is only one."""
    person = Person(gauge(random.Random(5001)), random.Random(5001), never=frozenset(Ask))
    for _ in range(3):
        person.measure(person.anything())
    outlook = search(Evidence(tuple(person.samples), never=person.never), KINDS)
    never = {Ask.NEGATIVE, Ask.POSITIVE, Ask.LONGER, Ask.UNIT}
    assert not never & {one.ask for one in outlook.next_measurements if one.needed}
