"""The uncertainty of checks, masters that share a certificate, and what nobody judged: said on the record."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import GTC
import pytest

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.budgeting import Unstated, check_budget
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.bench.state import Sourced
from gaugepost.core.record import DERIVATION, Entry, Kind, Record
from gaugepost.core.setup import Body, Combine, MasterEntry, Requirement
from gaugepost.core.uncertainty import Budget
from gaugepost.core.uncertainty.gauging import Ring, gauging_budget
from gaugepost.edge.decoding import Decoders
from tests.core.station import BORE, RING, STEEL, Hand
from tests.core.test_budget_rules import lines, of_reading, resolutions
from tests.core.test_uncertainty_gauging import KNOWN_RING, LINKS, TWENTY, gauging, known


def test_a_check_says_how_well_it_is_known() -> None:
    """At 20 °C it is made of ring, repeatability and steps, at mastering and at the check (GUM (13), recomputed)."""
    hand = Hand(known(links=LINKS))
    hand.master("38.004", "38.004")
    check = hand.check("38.005")
    ring, step, s = 0.0004, 0.001 / 12**0.5, 0.0004
    parts = [ring, s / 2**0.5, step, s, step]
    degrees = 2 * (0.5 / 3**0.5)  # of part and master, here one ring: ± 0.5 K each, of 11.5e-6/K
    at_least = sum(part**2 for part in parts) ** 0.5
    assert check.standard_uncertainty_mm is not None
    assert at_least < float(check.standard_uncertainty_mm) < at_least + 38 * 11.5e-6 * 2 * degrees
    assert check.uncertainty_mm is not None
    assert check.uncertainty_reasons is None


def test_several_readings_make_a_check_more_certain() -> None:
    """The mean of four readings carries half of what repeats."""
    made = []
    for readings in (1, 4):
        hand = Hand(known())
        hand.master("38.004", "38.004")
        hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=readings))
        for _ in range(readings):
            hand.show("38.004")
        check = hand.last(Kind.CHECK)
        assert check.standard_uncertainty_mm is not None
        made.append(float(check.standard_uncertainty_mm) ** 2)
    assert made[0] - made[1] == pytest.approx(0.0004**2 * 3 / 4, rel=1e-3)


def test_what_a_check_lacks_is_named() -> None:
    """Without a certificate none is stated, and a missing material is looked for at the master."""
    hand = Hand(known(masters={"ring-1": RING}))
    hand.master("38.004", "38.004")
    check = hand.check("38.004")
    assert check.uncertainty_mm is None
    assert check.uncertainty_reasons is not None
    assert check.uncertainty_reasons[0].startswith("nothing says how well the size of ring-1 is known")
    hand = Hand(known(masters={"ring-1": replace(KNOWN_RING, coefficient=None)}))
    hand.master("38.004", "38.004")
    assert hand.check("38.004").uncertainty_reasons == (
        "nothing says how it grows with temperature: name the material of ring-1",
        "and 1 more: gaugepost budget lists them",
    )


@pytest.mark.parametrize("readings", [1, 3])
def test_a_check_looks_for_a_material_at_its_master(readings: int) -> None:
    """Measured as if it were a part, a master has no part_material to be named, in one reading or in several."""
    bare = replace(BORE, coefficient=None)
    for body, said in ((Body.MASTER, "name the material of A"), (Body.PART, "name the part_material of A")):
        made = of_reading(known(), bare, readings=readings, part_body=body)
        assert isinstance(made, Unstated)
        assert said in made.reasons[0]


def test_a_checks_master_is_as_well_known_as_declared() -> None:
    """The budget of what a check measured has the ring's own coefficient with its half-width, and the ring's size."""
    ring = replace(KNOWN_RING, coefficient_half_width=D("0.2E-6"), size_mm=D("38.0012"))
    warm = tuple(replace(each, celsius=D(24)) for each in TWENTY)
    hand = Hand(known(masters={"ring-1": ring}, declared=warm)).ready()
    at = Sourced(D(24), "declared")
    made = check_budget(hand.state, "bore-1", ring, at, at, hand.now.utc_ms, D("0.0001"), True, 1, DERIVATION)
    found = lines(made)["coefficient of expansion of the part"]
    assert found.contribution == pytest.approx(-38.0012 * 4 * 0.2e-6 / 3**0.5, rel=1e-3)
    assert found.shared == ""
    assert resolutions(made) == pytest.approx((0.001, 0.001)), "declared coarser than the digits"
    bare = check_budget(
        hand.state, "bore-1", ring, None, at, hand.now.utc_ms, D("0.001"), False, 1, DERIVATION
    )
    assert bare == Unstated(
        (
            "nothing says how warm the master is: declare temperatures.master or temperatures.air with its spread",
        )
    )


def test_a_check_whose_display_changed_is_as_uncertain_as_its_coarsest_step() -> None:
    """It fails for that, and its uncertainty is none that only its finer digits would have."""
    made, stated = known(), []
    made = replace(made, gauges={"bore-1": replace(made.gauges["bore-1"], resolution_mm=None)})
    for shown in (("38.004", "38.004"), ("38.004", "38.0040"), ("38.0040", "38.004"), ("38.0040", "38.0040")):
        hand = Hand(made)
        hand.master("38.004", "38.004")
        hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=2))
        for each in shown:
            hand.show(each)
        check = hand.last(Kind.CHECK)
        assert check.uncertainty_mm is not None
        stated.append((check.code, check.uncertainty_mm))
    whole, *mixed, fine = stated
    assert mixed == [("failed", whole[1])] * 2
    assert fine[1] < whole[1]


def test_checks_of_derivation_2_have_none() -> None:
    """An old check comes out as it was made."""
    hand = Hand(known(links=LINKS), State(derivation=2))
    hand.master("38.004", "38.004")
    check = hand.check("38.004")
    assert (check.derivation, check.uncertainty_mm, check.uncertainty_reasons) == (2, None, None)
    entries = [Entry(at, b"", each) for at, each in enumerate(hand.records, 1)]
    assert not [each for each in differences(entries, Decoders()) if isinstance(each, Difference)]


def two_rings(length_mm: float, numbers: tuple[str, str]) -> Budget:
    rings = tuple(
        Ring(name=f"ring-{at}", size_mm=size, standard_mm=u, number=number)
        for at, (size, u, number) in enumerate(zip((38.0, 40.0), (0.0004, 0.0005), numbers, strict=True))
    )
    return gauging_budget(gauging(length_mm=length_mm, rings=rings))


def of_rings(made: Budget) -> float:
    """What the two sizes contribute together."""
    ((_, share),) = [(parts, share) for parts, share in made.ranked() if "certificate" in parts[0].shared]
    return float(share**0.5 * made.standard_mm)


def test_errors_on_one_certificate_add_up_between_its_masters() -> None:
    """Fully correlated, as an independent library has it; with two certificates they are independent."""
    first = GTC.ureal(38.0, 0.0004, independent=False)
    second = GTC.ureal(40.0, 0.0005, independent=False)
    GTC.set_correlation(1.0, first, second)
    size = first + (second - first) * 0.25
    assert of_rings(two_rings(38.5, ("C-1", "C-1"))) == pytest.approx(GTC.uncertainty(size), rel=1e-6)
    apart = two_rings(38.5, ("C-1", "C-2"))
    assert apart.standard_mm < two_rings(38.5, ("C-1", "C-1")).standard_mm
    assert apart.standard_mm == two_rings(38.5, ("", "")).standard_mm


def test_errors_on_one_certificate_are_not_made_to_cancel() -> None:
    """Beyond both masters a shared error would make the length more certain: nobody says that it is shared so far."""
    assert two_rings(42.0, ("C-1", "C-1")).standard_mm == two_rings(42.0, ("C-1", "C-2")).standard_mm


def test_the_certificate_of_the_station_file_counts() -> None:
    """Two masters of one certificate make a reading between them less certain than two of two."""
    other = MasterEntry(
        name="ring-2", size_mm=D("38.0300"), serial="R-2", coefficient=STEEL,
        uncertainty_mm=D("0.0008"), coverage_factor=D(2), certificate="C-2026-1",
    )  # fmt: skip

    def measured(number: str) -> float:
        rings = {"ring-1": replace(KNOWN_RING, certificate=number), "ring-2": other}
        middle = replace(BORE, nominal_mm=None, lower_mm=D("38.005"))  # both limits are between both rings
        hand = Hand(known(masters=rings, characteristics={"A": middle}))
        hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1", "R-2"), readings=1))
        for digits in ("38.004", "38.033"):
            hand.show(digits)
        hand.check("38.004")
        return float(hand.show("38.015").standard_uncertainty_mm or 0)

    assert measured("C-2026-1") > measured("C-2026-2") > 0


def test_what_nobody_judged_is_on_the_record() -> None:
    """A verdict on a bore with the envelope requirement says that this was not judged; its members have no verdict."""
    asked = replace(BORE, not_judged=(Requirement.ENVELOPE,))
    assert Hand(known(characteristics={"A": asked})).ready().show("38.010").requirements_not_judged == (
        "envelope",
    )
    assert Hand(known()).ready().show("38.010").requirements_not_judged is None
    several = replace(asked, combine=Combine.MEAN, readings=2)
    hand = Hand(known(characteristics={"A": several}, links=LINKS)).ready()
    assert hand.show("38.010").requirements_not_judged is None
    hand.show("38.011")
    assert hand.last(Kind.RESULT).requirements_not_judged == ("envelope",)
    old: Record = Hand(known(characteristics={"A": asked}), State(derivation=2)).ready().show("38.010")
    assert old.requirements_not_judged is None
