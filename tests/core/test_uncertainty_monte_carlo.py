"""The Monte Carlo check against the additive models of JCGM 101:2008, 9.2, and the command that prints a budget."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from decimal import Decimal as D
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from gaugepost.cli import main
from gaugepost.commands.budget.monte_carlo import numerical_tolerance, validate, validate_range
from gaugepost.core.bench.budgeting import expected_budget
from gaugepost.core.masters import half_tolerance_mm
from gaugepost.core.uncertainty import Budget, Component, Shape, budget
from gaugepost.core.uncertainty.differing import RANK
from gaugepost.edge.journal import Journal
from tests.core.station import BORE, RING, Hand
from tests.core.test_uncertainty_gauging import LINKS, known

COMPLETE = Path(__file__).parents[2] / "deploy" / "stations" / "complete.toml"


def additive(shape: Shape, *standards: float) -> tuple[Component, ...]:
    return tuple(Component(quantity=f"X{at}", standard=u, shape=shape) for at, u in enumerate(standards, 1))


def test_four_normal_inputs_are_answered_exactly() -> None:
    """JCGM 101:2008, 9.2.2: u = 2.0, interval ±3.92, validated at two digits."""
    made = budget(additive(Shape.NORMAL, 1, 1, 1, 1), level=0.95)
    found = validate(made)
    assert round(made.expanded_mm, 2) == 3.92
    assert found.high_mm == pytest.approx(3.92, abs=0.02)
    assert found.is_valid


def test_four_rectangular_inputs_are_nearly_normal() -> None:
    """JCGM 101:2008, 9.2.3: Monte Carlo gives ±3.88 where the analytical interval is ±3.92; δ = 0.05 at two digits."""
    found = validate(budget(additive(Shape.RECTANGULAR, 1, 1, 1, 1), level=0.95))
    assert found.standard_mm == pytest.approx(2.0, abs=0.01)
    assert (found.low_mm, found.high_mm) == pytest.approx((-3.88, 3.88), abs=0.02)
    assert found.tolerance_mm == pytest.approx(0.05)
    assert found.is_valid


def test_one_rectangular_input_that_rules_is_found_out() -> None:
    """JCGM 101:2008, 9.2.4: with one input ten times the others, ±17.0 instead of ±19.9: not validated."""
    made = budget(additive(Shape.RECTANGULAR, 1, 1, 1, 10), level=0.95)
    found = validate(made)
    assert round(made.standard_mm, 1) == 10.1
    assert round(made.expanded_mm, 1) == 19.9
    assert (found.low_mm, found.high_mm) == pytest.approx((-17.0, 17.0), abs=0.1)
    assert not found.is_valid


def test_a_ring_that_only_its_class_says_is_rectangular() -> None:
    """It is as wide as its tolerance and no wider: where it rules, the analytical interval is found out.

    Class Z to 0.825 in: 100 µin in all (ASME B89.1.5), so ±1.27 µm, and about 0.95 of that at 95 %.
    """
    half = half_tolerance_mm("Z", D("20"))
    ring = replace(RING, size_mm=D("20"), tolerance_class="Z", half_tolerance_mm=half)
    set_up = known(masters={"ring-1": ring}, level=D("0.95"))
    fine = replace(
        set_up.gauges["bore-1"], repeatability_mm=D("0.00001"), resolution_mm=D("0.00001"), name="bore-1"
    )
    entry = replace(BORE, nominal_mm=D("20"))
    made = expected_budget(replace(set_up, gauges={"bore-1": fine}), "bore-1", entry, ("ring-1",))
    assert isinstance(made, Budget)
    size = next(each for each in made.components if each.quantity == "size of ring-1")
    assert size.shape is Shape.RECTANGULAR
    assert size.standard == pytest.approx(0.00127 / 3**0.5)
    found = validate(made)
    assert 0.95 * 0.00127 < found.high_mm < 0.00127 < made.expanded_mm  # temperatures make a little of it
    assert not found.is_valid


@pytest.mark.parametrize(("standard", "tolerance"), [(0.00035, 0.000005), (2.0, 0.05), (35e-9, 0.5e-9)])
def test_the_numerical_tolerance_is_half_a_unit_of_the_last_digit(standard: float, tolerance: float) -> None:
    """JCGM 101:2008, 7.9.2: u of two digits c·10^l has δ = 10^l/2."""
    assert numerical_tolerance(standard) == pytest.approx(tolerance)


def test_correlated_inputs_have_the_analytical_standard_uncertainty() -> None:
    """What is drawn in common makes the covariance that the budget has."""
    parts = tuple(
        Component(
            quantity=name,
            standard=1.0,
            sensitivity=c,
            shape=Shape.RECTANGULAR,
            shared="steel",
            correlation=0.875,
        )
        for name, c in (("ring", 1.0), ("part", -1.0))
    )
    made = budget(parts)
    assert made.standard_mm == pytest.approx(0.5)
    assert validate(made).standard_mm == pytest.approx(0.5, rel=0.01)


def test_the_command_prints_the_budget_and_what_to_improve(capsys: pytest.CaptureFixture[str]) -> None:
    """A person reads model, components, u, ν, k, U, and where the largest share comes from."""
    assert main(["budget", "pump-bore", "--station", str(COMPLETE)]) == 0
    out = capsys.readouterr().out
    for said in (
        "model  D =",
        "size of ring-38",
        "rectangular",
        "u_c ",
        "ν_eff",
        "improve first:",
        "% of u²",
    ):
        assert said in out


def test_the_command_answers_programs(capsys: pytest.CaptureFixture[str]) -> None:
    """One JSON object whose contributions and U hang together."""
    assert main(["budget", "pump-bore", "--station", str(COMPLETE), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["uncertainty_mm"] == pytest.approx(
        said["coverage_factor"] * said["standard_uncertainty_mm"], rel=1e-5
    )
    assert sum(each["share"] for each in said["components"]) == pytest.approx(1, abs=0.01)


def test_a_range_is_drawn_as_what_it_is() -> None:
    """Of equal sizes a range shows d2·σ on the average (ASTM E2587, Table 2, from memory); of far ones it is linear."""
    made = budget((Component(quantity="reading", standard=1.0, repeats=True, new_at="reading"),))
    found = validate_range(made, 3, 1, 20.0, trials=200_000)
    assert found.excess_mm == pytest.approx(1.693, abs=0.01)
    assert found.most_mm == pytest.approx(stats.studentized_range(3, 1e9).ppf(made.level), abs=0.02)
    assert (found.low_mm - 20, found.high_mm - 20) == pytest.approx((-(8**0.5), 8**0.5), abs=0.02)
    assert found.is_valid
    assert found.linear_from_mm is not None
    near = validate_range(made, 3, 1, 2.0, trials=200_000)
    assert not near.is_valid
    assert found.linear_from_mm > 2
    assert validate_range(made, 3, 4, 20.0, trials=200_000).excess_mm == pytest.approx(1.693 / 2, abs=0.01)


def test_the_command_says_where_a_range_is_linear(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A limit far above what repeats is good enough; near it the term that is not is named, and `check` warns."""
    far = station_of_range(tmp_path / "far.toml", "0.020 mm")
    assert main(["budget", "oval", "--station", str(far), "--monte-carlo"]) == 0
    out = capsys.readouterr().out
    assert "model  R = Dmax − Dmin" in out
    assert "the linear form is good enough there" in out
    assert out.count(RANK) >= 3, "as a component, as what to improve, and in what Monte Carlo says"
    near = station_of_range(tmp_path / "near.toml", "0.002 mm")
    assert main(["budget", "oval", "--station", str(near), "--monte-carlo", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["monte_carlo"]["is_valid"] is False
    assert main(["check", str(near)]) == 0
    assert "not fit for this tolerance, what repeats makes a range of it" in capsys.readouterr().out


def test_as_it_stands_it_is_that_of_the_next_reading(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By what the journal leads to: the same U as on the next reading, and none before the gauge is mastered."""
    file = station_of_range(tmp_path / "station.toml", "0.020 mm")
    asked = ["budget", "A", "--station", str(file), "--as-it-stands", "--json"]
    set_up = known(links=LINKS)
    gauges = {name: replace(each, repeatability_mm=None) for name, each in set_up.gauges.items()}
    hand = Hand(replace(set_up, gauges=gauges))
    folder = tmp_path / "data"

    def said(count: int) -> dict[str, Any]:
        shutil.rmtree(folder, ignore_errors=True)
        with closing(Journal.open(folder / "journal.db", "a")) as journal:
            journal.append(hand.records[:count])
        main(asked)
        return dict(json.loads(capsys.readouterr().out))

    assert said(len(hand.records))["reasons"] == ["bore-1 is not mastered"]
    hand.master("38.004", "38.005")
    hand.check("38.004")
    before = len(hand.records)
    made = hand.show("38.010")
    found = said(before)
    assert made.uncertainty_mm is not None
    assert found["uncertainty_mm"] == float(made.uncertainty_mm)
    assert found["degrees_of_freedom"] == made.degrees_of_freedom
    assert main([*asked, "--master", "ring"]) == 2
    assert main(["budget", "oval", "--station", str(file), "--as-it-stands"]) == 2
    assert "write one of A" in capsys.readouterr().err


def station_of_range(file: Path, upper: str) -> Path:
    lines = [
        '[station]\nname = "a"\ntime_zone = "UTC"',
        *(
            f'[temperatures.{each}]\nvalue = "20 °C"\nspread = "0.5 K"'
            for each in ("part", "gauge", "master")
        ),
        '[links.p]\nkind = "serial_port"\ndevice = "/dev/ttyUSB0"',
        '[links.p.decoder]\nkind = "delimited_text"\npattern = "{value}"\nunit = "mm"',
        '[gauges.bore]\nlink = "p"\ncontact = "two-point"\ndisplay = "absolute"\ncheck_limit = "2 µm"',
        'material = "gauge steel"\nrepeatability = "0.4 µm"\nresolution = "0.1 µm"',
        '[masters.ring]\nsize = "38.0012 mm"\nserial_number = "R"\nmaterial = "gauge steel"',
        'uncertainty = "0.8 µm"\ncoverage_factor = 2',
        f'[characteristics.oval]\nfeature = "bore"\nunit = "mm"\nupper = "{upper}"\ncombine = "range"',
        'size_modifier = "SR"\npositions = ["0", "60", "120"]\ngauges = ["bore"]\npart_material = "gauge steel"',
    ]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def test_a_name_that_is_not_there_says_which_are(capsys: pytest.CaptureFixture[str]) -> None:
    """A slip of the pen costs one more try."""
    assert main(["budget", "pump-boar", "--station", str(COMPLETE)]) == 2
    assert "pump-bore" in capsys.readouterr().err


def test_the_daemon_does_not_import_what_the_check_needs() -> None:
    """numpy comes in with --monte-carlo and not before."""
    said = "import sys, gaugepost.app, gaugepost.commands.budget; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", said], check=False, timeout=60).returncode == 0
