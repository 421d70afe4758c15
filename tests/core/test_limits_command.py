"""The `limits` command: one answer for each text, on the right stream, with an exit code that a script can trust."""

import argparse
import json
from decimal import Decimal, Decimal as D
from typing import Any

import pytest

from gaugepost.commands import limits
from gaugepost.core.errors import ValueRefused


def run(*argv: str) -> int:
    parser = argparse.ArgumentParser(prog="limits")
    limits.add_arguments(parser)
    return limits.run(parser.parse_args(argv))


def answers(capsys: pytest.CaptureFixture[str], *argv: str) -> list[dict[str, Any]]:
    run("--json", *argv)
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_a_class_in_json(capsys: pytest.CaptureFixture[str]) -> None:
    """A class gives its exact limits as text, three decimals of mm or more (ISO 286-1:2010: 38.000/38.025)."""
    assert answers(capsys, "38 H7") == [
        {
            "text": "38 H7",
            "nominal_mm": "38.000",
            "lower_mm": "38.000",
            "upper_mm": "38.025",
            "tolerance_mm": "0.025",
            "unit": "mm",
            "nominal": "38.000",
            "lower": "38.000",
            "upper": "38.025",
            "class": "H7",
            "it_um": "25",
            "upper_deviation_um": "25",
            "lower_deviation_um": "0",
            "feature": "bore",
        }
    ]


def test_halves_of_a_micrometre_are_kept_in_json(capsys: pytest.CaptureFixture[str]) -> None:
    """JS limits are not rounded (ISO 286-1:2010, printed: 119.9825/120.0175)."""
    (answer,) = answers(capsys, "120 JS7")
    assert (answer["lower"], answer["upper"], answer["lower_deviation_um"]) == (
        "119.9825",
        "120.0175",
        "-17.5",
    )


def test_inches_keep_the_digits_written(capsys: pytest.CaptureFixture[str]) -> None:
    """An inch drawing's limits keep at least the digits written, and are exact in mm beside them."""
    (answer,) = answers(capsys, "0.8750 in +0.0008/-0")
    assert [answer[key] for key in ("unit", "nominal", "lower", "upper")] == [
        "in",
        "0.8750",
        "0.8750",
        "0.8758",
    ]
    assert [answer[key] for key in ("lower_mm", "upper_mm", "tolerance_mm")] == [
        "22.225",
        "22.24532",
        "0.02032",
    ]
    assert "class" not in answer
    assert "feature" not in answer


def test_an_absent_limit_is_null(capsys: pytest.CaptureFixture[str]) -> None:
    """One limit alone leaves the other, the nominal and the tolerance null."""
    (answer,) = answers(capsys, ">= 12.400 mm")
    assert answer["lower"] == answer["lower_mm"] == "12.400"
    assert {answer[key] for key in ("upper", "upper_mm", "nominal", "nominal_mm", "tolerance_mm")} == {None}


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_limits_in_the_unit_asked_for(capsys: pytest.CaptureFixture[str], unit: str) -> None:
    """--unit restates the limits and leaves them as they are in mm."""
    (answer,) = answers(capsys, "--unit", unit, "1.25 in H7")
    assert (answer["unit"], answer["lower_mm"], answer["upper_mm"]) == (unit, "31.750", "31.775")
    factor = Decimal("25.4") if unit == "in" else Decimal(1)
    assert abs(Decimal(answer["upper"] or "0") * factor - Decimal("31.775")) < Decimal("1E-25")


def test_a_bad_text_does_not_stop_the_others(capsys: pytest.CaptureFixture[str]) -> None:
    """Each input has its line of JSON, a bad one its line on stderr too, and the exit code is 2."""
    assert run("--json", "38 h7", "45 H8", "\udcff") == 2
    captured = capsys.readouterr()
    first, second, third = map(json.loads, captured.out.splitlines())
    assert set(first) == set(third) == {"text", "error", "hint"}
    assert [first["text"], second["text"], third["text"]] == ["38 h7", "45 H8", "\udcff"]
    assert second["upper_mm"] == "45.039"  # IT8 over 30 to 50 mm is 39 µm (ISO 286-1:2010)
    errors = captured.err.splitlines()
    assert len(errors) == 2
    assert errors[0].startswith("'38 h7': h7 is a shaft's class")
    assert errors[0].endswith('write the deviations instead, as "60 mm +0.046/0"')


def test_a_bad_text_for_people_is_on_stderr_only(capsys: pytest.CaptureFixture[str]) -> None:
    """Without --json, stdout holds answers only, and every refusal names its text once."""
    assert run("40 mm", "45 H8") == 2
    captured = capsys.readouterr()
    assert captured.err.count("40 mm") == 1
    assert captured.out.startswith("45 H8\n")


def test_good_texts_exit_with_0_and_say_nothing_on_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    """All answered is exit code 0."""
    assert run("38 H7", "62 mm ±0.02") == 0
    assert capsys.readouterr().err == ""


def test_the_table_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    """People get the drawing's unit first, points under points, rounded inches marked, and the class in µm."""
    run("38 H7")
    assert capsys.readouterr().out == (
        "38 H7\n"
        "                 mm  in (rounded)\n"
        "  nominal    38.000      1.496063\n"
        "  lower      38.000      1.496063\n"
        "  upper      38.025      1.497047\n"
        "  tolerance   0.025      0.000984\n"
        "  class      H7 (bore): IT7 = 25 µm, ES = +25 µm, EI = 0 µm\n"
    )


def test_the_table_of_an_inch_drawing(capsys: pytest.CaptureFixture[str]) -> None:
    """Inch limits and their mm are exact, and neither column says rounded."""
    run("0.8750 in +0.0008/-0")
    assert capsys.readouterr().out == (
        "0.8750 in +0.0008/-0\n"
        "                 in        mm\n"
        "  nominal    0.8750  22.22500\n"
        "  lower      0.8750  22.22500\n"
        "  upper      0.8758  22.24532\n"
        "  tolerance  0.0008   0.02032\n"
    )


def test_one_limit_has_no_other_line(capsys: pytest.CaptureFixture[str]) -> None:
    """A table has lines for what there is."""
    run("<= 0.5000 in")
    assert [line.split()[0] for line in capsys.readouterr().out.splitlines()] == ["<=", "in", "upper"]


def test_every_example_in_the_help_works(capsys: pytest.CaptureFixture[str]) -> None:
    """What the help teaches is what the command takes."""
    parser = argparse.ArgumentParser(prog="limits")
    limits.add_arguments(parser)
    ways = (parser.epilog or "").split('"')[1::2]
    texts = [way for way in ways if any(character.isdigit() for character in way)]
    assert len(texts) >= 9
    assert run(*texts) == 0
    assert capsys.readouterr().err == ""


def test_acceptance_limits_are_shown_for_an_uncertainty(capsys: pytest.CaptureFixture[str]) -> None:
    """25 H7 at u = 1 µm by ISO 14253-1's default: proved between 25.00165 and 25.01935 (derived, g = 1.65·u)."""
    (answer,) = answers(capsys, "25 H7", "-u", "1 µm")
    assert answer["rule"] == "guarded acceptance by factor 1.65"
    assert (D(answer["lower_acceptance"]), D(answer["upper_acceptance_mm"])) == (D("25.00165"), D("25.01935"))
    assert (D(answer["lower_rejection"]), D(answer["upper_rejection_mm"])) == (D("24.99835"), D("25.02265"))
    assert answer["cautions"] == []


@pytest.mark.parametrize("text", ["25 H7", "38 G6", "16 F8", "120 JS7"])
def test_what_is_told_in_rounded_inches_is_accepted_or_rejected(
    text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Acceptance limits are rounded inwards and rejection limits outwards, as a risk's and a result's are."""
    assert run(text, "-u", "1 um") == 0
    cells = [line.rsplit(maxsplit=2) for line in capsys.readouterr().out.splitlines()]
    said = {
        words[0].strip(): [D(each) for each in words[1:]]
        for words in cells
        if words[0].startswith(("  accept", "  reject"))
    }
    for name, inside in (("accept from", 1), ("accept to", -1), ("reject below", -1), ("reject above", 1)):
        mm, inch = said[name]
        assert 0 <= inside * (inch * D("25.4") - mm) < D("0.0000254")


def test_what_a_rule_does_not_hold_is_cautioned(capsys: pytest.CaptureFixture[str]) -> None:
    """At T/u = 4 the table says that 1.65 is not 95 %; at T/u = 3.5 that nothing is accepted."""
    assert run("25 H7", "-u", "5.25 um") == 0
    told = capsys.readouterr().out
    assert "  accept from   25.0086625" in told
    assert "a factor of 1.65 proves 94.1%, not 95.1%" in told
    assert run("25 H7", "-u", "6 um", "--rule", "guarded acceptance by conformance probability 95 %") == 0
    told = capsys.readouterr().out
    assert "accept" not in told.replace("guarded acceptance", "")
    assert "nothing can prove conformity: the tolerance is only 3.5 standard uncertainties" in told


def test_the_expanded_uncertainty_goes_by_its_own_coverage_factor(capsys: pytest.CaptureFixture[str]) -> None:
    """U is k·u: with k = 2.1 a guard band is 2.1 µm, outside the limit for guarded rejection, and shown in inches."""
    by_u = ("--rule", "guarded rejection by expanded uncertainty", "--coverage-factor", "2.1")
    assert run(">= 12.4 mm", "-u", "1 um", *by_u) == 0
    told = capsys.readouterr().out
    assert "accept from   12.3979" in told
    assert D("12.3979") / D("25.4") == pytest.approx(
        D(told.split("12.3979")[1].split()[0]), abs=D("0.000005")
    )


@pytest.mark.parametrize(
    "option", ["--rule=simple acceptance", "--degrees-of-freedom=4", "--coverage-factor=2"]
)
def test_nothing_is_decided_without_an_uncertainty(option: str) -> None:
    """What says something about a decision needs the uncertainty that it is made with."""
    with pytest.raises(ValueRefused, match="says nothing without an uncertainty"):
        run("25 H7", option)
