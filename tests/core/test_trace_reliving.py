"""What was measured, made once more: the same where nothing is corrected, what would have been lived where it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.tracing.dependants import Asked, What, dependants
from gaugepost.core.bench.tracing.reliving import Relived, relive
from gaugepost.core.bench.tracing.revision import Revision, revision_of
from gaugepost.core.conformity import parse_rule
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION, Kind, Record
from gaugepost.core.setup import Combine, MasterEntry, PlaceEntry, SetUp
from tests.core.station import AIR, RING, STEEL, Hand, set_up
from tests.core.trail import Trail

CERTIFICATE: dict[str, Any] = {"uncertainty_mm": D("0.0008"), "coverage_factor": D(2)}
WARM = replace(AIR, uncertainty_k=D("0.2"))
WIDE = {"preset_limit_mm": D("0.1"), "check_limit_mm": D("0.05"), "debounce_ms": 0}
MEASURED = (Kind.READING, Kind.RESULT, Kind.FORM)
DIGITS = st.decimals("37.995", "38.030", places=4).map(str)


def station(combine: Combine = Combine.EACH, size: str = "38.0012", **gauge: Any) -> SetUp:
    """A warm station whose ring has a certificate, with a second ring."""
    ring = replace(RING, size_mm=D(size), **CERTIFICATE)
    other = MasterEntry(name="ring-2", size_mm=D("37.9985"), coefficient=STEEL, **CERTIFICATE)
    bore: dict[str, Any] = {"combine": combine, "coefficient": D("23.6E-6")}
    if combine is not Combine.EACH:
        bore |= {
            "positions": ("top", "mid"),
            "places": {"top": PlaceEntry(depth_mm=D(2)), "mid": PlaceEntry(depth_mm=D(20))},
        }
    return set_up(
        {**WIDE, **gauge},
        bore,
        thermometers={"air": WARM},
        masters={ring.name: ring, other.name: other},
        lot_checks=False,
    )


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("show"), DIGITS),
        st.tuples(st.just("inch"), st.decimals("1.4960", "1.4970", places=5).map(str)),
        st.tuples(st.just("check"), st.sampled_from(["38.0040", "38.0045", "38.2000"])),
        st.tuples(st.just("check-2"), st.sampled_from(["38.0015", "38.0010"])),
        st.tuples(st.just("master"), st.sampled_from(["38.0040", "38.0052"])),
        st.tuples(st.just("warm"), st.decimals("18", "27", places=1).map(str)),
        st.tuples(st.just("piece"), st.sampled_from(["1", "2"])),
        st.tuples(st.just("lose"), st.just("")),
    ),
    min_size=4,
    max_size=25,
)


def live(
    made: SetUp, steps: Sequence[tuple[str, str]], shift: D = D(0), derivation: int = DERIVATION
) -> Hand:
    """Do the steps at a station; `shift` is what its thermometer should have shown beside what it does."""
    hand = Hand(made, State(derivation=derivation))
    hand.warm(str(D("22.5") + shift))
    hand.master("38.0040", "38.0042")
    hand.check("38.0041")
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    for what, said in steps:
        if what == "show":
            hand.show(said)
        elif what == "inch":
            hand.show(said, unit=Unit.INCH)
        elif what == "check":
            hand.check(said)
        elif what == "check-2":
            hand.check(said, "ring-2")
        elif what == "master":
            hand.master(said, said)
        elif what == "warm":
            hand.warm(str(D(said) + shift))
        elif what == "piece":
            hand.do(ev.SetTags({"piece": said}))
        else:
            hand.do(ev.LinkDown("usb-1", "unplugged"))
            hand.do(ev.LinkUp("usb-1", "a port"))
    return hand


def relived(records: Sequence[Record], revision: Revision, asked: Asked | None = None) -> list[Relived]:
    """Everything that a gauge measured, once more."""
    trail = Trail(records)
    found = dependants(trail, asked or Asked(What.GAUGE, "bore-1"), len(records))
    return list(relive(trail, found.chosen, revision))


@given(steps=STEPS, combine=st.sampled_from(Combine), declared=st.booleans())
@settings(max_examples=60, deadline=None)
def test_nothing_corrected_changes_nothing(
    steps: list[tuple[str, str]], combine: Combine, declared: bool
) -> None:
    """Whatever was measured, under no correction each reading, result, form and check comes out bit for bit."""
    more: dict[str, Any] = {"repeatability_mm": D("0.0004")} if declared else {}
    hand = live(station(combine, **more), steps)
    came = relived(hand.records, Revision())
    kinds = {record.kind for record in hand.records} & {Kind.READING} and {*MEASURED, Kind.CHECK}
    wanted = [at for at, record in enumerate(hand.records, 1) if record.kind in kinds]
    assert [each.sequence for each in came] == wanted
    for each in came:
        assert each.record == hand.records[each.sequence - 1]


@given(steps=STEPS, combine=st.sampled_from(Combine), microns=st.integers(-60, 60))
@settings(max_examples=60, deadline=None)
def test_a_corrected_ring_gives_what_would_have_been_lived(
    steps: list[tuple[str, str]], combine: Combine, microns: int
) -> None:
    """Traced with its ring's right size, a station measured what one that had the right size all along did."""
    right = D("38.0012") + D(microns).scaleb(-4)
    lived = live(station(combine), steps).records
    wanted = live(station(combine, str(right)), steps).records
    came = relived(lived, Revision(masters={"ring-1": {"size": right}}))
    checks = [(a, b) for a, b in zip(lived, wanted, strict=True) if a.kind is Kind.CHECK]
    assert all(a.code == b.code for a, b in checks)
    for each in came:
        made = wanted[each.sequence - 1]
        if made.kind is not Kind.CHECK:
            assert each.record == made
        else:  # of its outcome it says what was recorded: a trace puts that beside
            assert replace(each.record, reasons=None) == replace(made, reasons=None)


@pytest.mark.attack
@given(steps=STEPS, tenths=st.integers(-9, 9))
@settings(max_examples=40, deadline=None)
def test_a_corrected_thermometer_gives_what_would_have_been_lived(
    steps: list[tuple[str, str]], tenths: int
) -> None:
    """Traced with the thermometer's correction, a station measured what it would have with a right thermometer."""
    shift = D(tenths) / 10
    lived = live(station(), steps).records
    wanted = live(station(), steps, shift).records
    if len(lived) != len(wanted):
        return  # an earlier step of 0.02 K was recorded on one side only
    came = relived(lived, Revision(thermometers={"air": shift}))
    for each in came:
        made = wanted[each.sequence - 1]
        assert (each.record.value_mm, each.record.verdict) == (made.value_mm, made.verdict)
        assert each.record.uncertainty_mm == made.uncertainty_mm
        assert each.thermometers <= {"air"}


def test_what_is_corrected_is_kept_in_words() -> None:
    """A revision is read back from the texts that records keep, whatever names a station file has."""
    revision = Revision(
        {"ring 38.5 = new": {"size": D("38.0009"), "uncertainty": D("0.0006"), "coverage_factor": D("2.1")}},
        {"air.north": D("-0.30")},
    )
    assert revision_of(revision.texts()) == revision
    assert revision.texts()[1] == "masters.ring 38.5 = new.size = 38.0009 mm"


@given(
    shown=st.lists(st.integers(14_950_00, 14_975_00), min_size=1, max_size=6),
    wrong=st.integers(-40, 40),
)
@settings(max_examples=25, deadline=None)
def test_an_inch_and_a_metric_twin_agree(shown: list[int], wrong: int) -> None:
    """One shop in inches and in millimetres: the same values, verdicts and decisions under the same corrected ring."""
    right = D("1.496110236") * D("25.4") + D(wrong).scaleb(-4)
    ends = []
    for unit in (Unit.INCH, Unit.MM):

        def text(inches: D, unit: Unit = unit) -> str:
            # 25.4 mm an inch, exactly; each display with digits enough for the other's
            return f"{inches:.6f}" if unit is Unit.INCH else f"{inches * D('25.4'):.7f}"

        bore = {
            "unit": unit,
            "step": D("0.00005") if unit is Unit.INCH else D("0.001"),
            "rule": parse_rule("guarded acceptance by factor 1.65"),
        }
        ring = replace(RING, size_mm=D("1.496110236") * D("25.4"), **CERTIFICATE)
        declared = {"repeatability_mm": D("0.0004"), "resolution_mm": D("0.0001")}
        made = set_up(
            {**WIDE, **declared},
            bore,
            thermometers={"air": WARM},
            masters={ring.name: ring},
            lot_checks=False,
        )
        hand = Hand(made)
        hand.warm("22.5")
        hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1))
        hand.show(text(D("1.496200")), unit=unit)
        hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=1))
        hand.show(text(D("1.496200")), unit=unit)
        assert hand.last(Kind.CHECK).code == "passed"
        for each in shown:
            hand.show(text(D(each).scaleb(-6)), unit=unit)
        came = relived(hand.records, Revision(masters={"ring-1": {"size": right}}))
        ends.append(
            [
                (
                    one.record.value_mm,
                    one.record.verdict,
                    one.record.decision,
                    one.record.conformity,
                    one.record.probability,
                )
                for one in came
                if one.record.kind is Kind.READING
            ]
        )
    assert ends[0] == ends[1]
    assert any(decision is not None for _, _, decision, _, _ in ends[0])
