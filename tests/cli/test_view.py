"""The terminal view: it says what the record says, and nothing in a record can steer the terminal."""

from __future__ import annotations

from datetime import timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, strategies as st

from gaugepost.commands.view import Style, clean, lines
from gaugepost.commands.view.bar import LAST, LOWER_AT, UPPER_AT, drawn
from gaugepost.core.record import Kind

PLAIN = Style(ascii=True)
READING: dict[str, Any] = {
    "kind": "reading",
    "measured_at": "2026-11-25T09:00:00.000Z",
    "piece": "4",
    "characteristic": "spool-bore",
    "gauge": "bore-38",
    "indication": "38.028",
    "indication_unit": "mm",
    "value_mm": "38.023823127",
    "value": "38.023823127",
    "unit": "mm",
    "deviation": "0.023823127",
    "lower": "38.000",
    "upper": "38.025",
    "verdict": "in-limits",
    "master_correction_mm": "-0.0023",
    "thermal_correction_mm": "-0.001876873",
    "part_temperature_c": "24.10",
    "part_temperature_source": "measured",
    "gauge_temperature_c": "23.40",
    "gauge_temperature_source": "assumed",
    "master_temperature_c": "23.40",
    "master_temperature_source": "assumed",
}
INCH = READING | {
    "gauge": "bore-750",
    "indication": "0.00005",
    "indication_unit": "in",
    "value": "0.75031",
    "unit": "in",
    "deviation": "0.00031",
    "lower": "0.75000",
    "upper": "0.75080",
    "master_correction_mm": "19.05254",
    "thermal_correction_mm": "-0.000254",
}

micrometres = st.integers(-60_000, 60_000).map(lambda n: Decimal(n).scaleb(-6) + 38)


def shown(record: dict[str, Any], style: Style = PLAIN) -> str:
    return "\n".join(lines(record, style))


def test_a_reading_is_shown_with_everything_that_made_it() -> None:
    """Value, limits to scale, verdict as a word, deviation, corrections in µm and temperatures stand in three lines."""
    assert lines(READING, Style()) == [
        "09:00:00  piece 4 · spool-bore · bore-38",
        "          38.024 mm     38.000 ····├────────┼───────◆┤···· 38.025     in limits",
        "          deviation +0.024 · showed 38.028 mm · master -2.3 µm · thermal -1.9 µm",
        "          part 24.10 °C · gauge, master 23.40 °C assumed",
    ]


def test_a_measurement_names_its_record() -> None:
    """Whoever wants to void or sign what they see has its number before their eyes."""
    first = shown(READING | {"sequence": 1284}, Style()).splitlines()[0]
    assert first == "09:00:00  piece 4 · spool-bore · bore-38 (record 1284)"


def test_an_inch_drawing_gets_microinches() -> None:
    """Corrections are in µin for a drawing in inches; one that is a size, on a gauge of differences, is in inches."""
    text = shown(INCH, Style())
    assert "0.75031 in" in text
    assert "thermal -10 µin" in text
    assert "master +0.75010 in" in text


def test_without_utf_8_everything_is_ascii() -> None:
    """A terminal that knows only ASCII gets only ASCII, the bar too."""
    text = shown(READING | {"piece": "Gehäuse 4"})
    assert text.isascii()
    assert "....[--------+-------#].... 38.025     in limits" in text
    assert "-2.3 um" in text


def test_time_is_local() -> None:
    """The time is that of the zone where the terminal stands."""
    assert shown(READING, Style(zone=timezone(timedelta(hours=-5)))).startswith("04:00:00")


@pytest.mark.parametrize(
    ("verdict", "word"),
    [
        ("undersize", "UNDERSIZE"),
        ("oversize", "OVERSIZE"),
        ("in-limits", "in limits"),
        ("not-judged", "not judged"),
    ],
)
def test_the_verdict_is_a_word_in_colour_or_not(verdict: str, word: str) -> None:
    """Colour only ever repeats what a word says, and without it no escape is sent."""
    record = READING | {"verdict": verdict}
    assert word in shown(record)
    assert "\x1b" not in shown(record)
    assert f"m{word}\x1b[0m" in shown(record, Style(colour=True))


def test_a_reading_that_is_not_judged_says_why() -> None:
    """Every reason is there to read."""
    text = shown(READING | {"verdict": "not-judged", "reasons": ["not mastered", "the link com-1 was lost"]})
    assert "because not mastered; the link com-1 was lost" in text


GUARDED = READING | {
    "decision": "accept",
    "rule": "guarded acceptance by factor",
    "rule_parameter": "1.65",
    "lower_acceptance": "38.001483456",
    "upper_acceptance": "38.023516544",
    "conformity": "conformity verified",
    "probability": "0.999996",
}


def test_a_guarded_decision_is_told_with_what_it_rests_on() -> None:
    """The rule with its number, acceptance limits rounded inwards, and what is proved stand below the value."""
    told = " ".join(shown(GUARDED, Style(width=200)).split())
    assert "in limits, accept: guarded acceptance by factor 1.65 · accepts 38.0015 to 38.0235 mm" in told
    assert "conformity verified · conformance probability > 99.9 %" in told


def test_acceptance_limits_are_marked_in_the_bar() -> None:
    """They stand inside the limits of guarded acceptance and beyond those of guarded rejection, never on a limit."""
    lower, upper = Decimal("38.000"), Decimal("38.018")
    bar = drawn(None, lower, upper, accepting=(Decimal("38.002"), Decimal("38.015"))).text
    assert [at for at, mark in enumerate(bar) if mark == "╎"] == [LOWER_AT + 2, UPPER_AT - 3]
    beyond = drawn(None, lower, upper, accepting=(Decimal("37.998"), Decimal("38.0185"))).text
    assert [at for at, mark in enumerate(beyond) if mark == "╎"] == [LOWER_AT - 2]
    assert "╎" not in drawn(None, lower, upper, accepting=(lower, upper)).text
    assert "╎" not in drawn(None, lower, upper, accepting=(Decimal(30), None)).text
    on_it = drawn(Decimal("38.002"), lower, upper, accepting=(Decimal("38.002"), None))
    assert (on_it.value_at, "╎" in on_it.text) == (LOWER_AT + 2, False)
    assert "....[:-------+-------#:.... 38.025" in shown(GUARDED) or "[:" in shown(GUARDED).splitlines()[1]


def test_what_nobody_judged_stands_below_the_value() -> None:
    """The drawing's other requirements are named, whatever the decision."""
    assert "envelope requirement not judged" in shown(READING | {"requirements_not_judged": ["envelope"]})


def test_a_simple_decision_needs_no_words_of_its_own() -> None:
    """Simple acceptance is what the verdict says already; what is proved is told where an uncertainty is known."""
    simple = READING | {"decision": "accept", "rule": "simple acceptance", "method": "absolute method"}
    assert lines(simple, Style()) == lines(READING, Style())
    known = simple | {"conformity": "neither", "probability": "0.8413"}
    assert "nothing proved · conformance probability 84.1 %" in shown(known, Style())


@pytest.mark.parametrize(
    ("verdict", "decision", "word", "colour"),
    [
        ("in-limits", "accept", "in limits", "32"),
        ("in-limits", "undecided", "undecided", "33"),
        ("oversize", "undecided", "undecided", "33"),
        ("oversize", "accept", "accepted", "32"),
        ("oversize", "reject", "OVERSIZE", "31"),
    ],
)
def test_green_and_red_are_for_the_decision(verdict: str, decision: str, word: str, colour: str) -> None:
    """A person acts on the decision: the word and its colour are its, and the verdict is told beside it."""
    record = GUARDED | {"verdict": verdict, "decision": decision}
    text = shown(record, Style(colour=True))
    assert f"\x1b[{colour}m{word}\x1b[0m" in text
    assert f"{word.lower() if decision == 'reject' else verdict.replace('-', ' ')}, {decision}:" in text


def test_what_can_still_be_done_is_told_and_why_it_is_undecided() -> None:
    """Below an undecided value stand the reason and the remedy; what is to be known of an accepted one is a note."""
    reason = "in the guard band at the lower limit"
    record = GUARDED | {"decision": "undecided", "remedy": "can still be opened", "reasons": [reason]}
    assert f"because {reason}" in shown(record)
    assert "can still be opened" in shown(record)
    assert f"note: {reason}" in shown(GUARDED | {"reasons": [reason]})


def test_one_acceptance_limit_and_none() -> None:
    """A characteristic with one limit has one acceptance limit; where nothing is accepted none is told."""
    one = {name: value for name, value in GUARDED.items() if name != "upper_acceptance"}
    assert "accepts at least 38.0015 mm" in shown(one)
    other = {name: value for name, value in GUARDED.items() if name != "lower_acceptance"} | {"unit": "in"}
    assert "accepts at most 38.02351 in" in shown(other)
    assert "accepts" not in shown({name: value for name, value in one.items() if name != "lower_acceptance"})


def test_a_value_rounded_for_its_verdict_says_so() -> None:
    """The rounding method of ASTM E29 is told: the value shown is not the one that was held against the limits."""
    assert "rounded to be judged" in shown(READING | {"method": "rounding method", "decision": "accept"})


def test_a_value_just_beyond_a_limit_does_not_look_equal_to_it() -> None:
    """As many digits are shown as tell the value from the limit that it exceeds."""
    over = {"value": "38.025000001", "deviation": "0.025000001", "verdict": "oversize"}
    assert "38.025000001 mm" in shown(READING | over)


@given(micrometres)
def test_the_marker_stands_where_the_verdict_says(value: Decimal) -> None:
    """Inside is between the marks, equal to a limit on its mark, outside beyond it, to the nanometre."""
    lower, upper = Decimal("38.000"), Decimal("38.025")
    bar = drawn(value, lower, upper)
    assert bar.value_at is not None
    assert (bar.value_at < LOWER_AT) == (value < lower)
    assert (bar.value_at > UPPER_AT) == (value > upper)
    assert (bar.value_at == LOWER_AT) == (value == lower)
    assert (bar.value_at == UPPER_AT) == (value == upper)
    assert len(bar.text) == LAST + 1
    cell = (upper - lower) / (UPPER_AT - LOWER_AT)
    if lower < value < upper:
        assert abs(lower + (bar.value_at - LOWER_AT) * cell - value) <= cell
    beyond = (value - upper) / cell > LAST - UPPER_AT + 1 or (lower - value) / cell > LOWER_AT + 1
    if beyond:
        assert bar.text[bar.value_at] in "◀▶"


def test_the_limits_stay_in_their_columns() -> None:
    """The marks stand in the same columns for any value and unit, so that a glance down the screen compares."""
    columns = set()
    for record in (READING, INCH, READING | {"value": "37.9"}, READING | {"value": None, "value_mm": None}):
        (scale,) = (line for line in lines(record, PLAIN) if "[" in line)
        columns.add((scale.index("["), scale.index("]")))
    assert len(columns) == 1


def test_the_nominal_is_marked_where_it_is_inside() -> None:
    """The tick is the nominal, to scale, or the middle where the nominal is a limit or beyond."""
    lower, upper = Decimal("61.994"), Decimal("62.012")
    assert drawn(None, lower, upper, Decimal("62.000")).text.index("┼") == LOWER_AT + 6
    assert drawn(None, lower, upper, Decimal("61.994")).text.index("┼") == (LOWER_AT + UPPER_AT) // 2


@pytest.mark.parametrize(
    ("value", "lower", "upper", "glyph"),
    [
        ("12.5", "12.4", None, "▶"),
        ("12.3", "12.4", None, "◀"),
        ("12.5", None, "12.4", "▶"),
        ("1", None, "12.4", "◀"),
    ],
)
def test_one_limit_gives_no_scale(value: str, lower: str | None, upper: str | None, glyph: str) -> None:
    """With one limit alone an arrow says on which side the value is, and nothing pretends to be to scale."""
    bar = drawn(Decimal(value), lower and Decimal(lower), upper and Decimal(upper))  # type: ignore[arg-type]
    assert bar.value_at is not None
    assert bar.text[bar.value_at] == glyph
    assert ("├" in bar.text, "┤" in bar.text) == (lower is not None, upper is not None)


@given(st.text(max_size=60), st.sampled_from(sorted(Kind)), st.booleans())
def test_no_text_in_a_record_reaches_the_terminal_raw(text: str, kind: str, plain: bool) -> None:
    """Control characters, of a gauge's frame, a tag or a reason, are written out, in every kind of record."""
    record = READING | {
        "kind": kind,
        "program": text,
        "reasons": [text],
        "raw": text.encode(errors="replace").hex(),
    }
    record |= dict.fromkeys(
        (
            "text",
            "piece",
            "lot",
            "operator",
            "gauge",
            "link",
            "code",
            "master",
            "thermometer",
            "body",
            "position",
        ),
        text,
    )
    for line in lines(record, Style(ascii=plain)):
        assert line.isprintable()
        assert len(line) <= 80
        assert not plain or line.isascii()


def test_an_escape_sequence_is_shown_as_one() -> None:
    """A garbled frame can't clear the screen, change the window's title or turn text round: it is spelled out."""
    assert clean("a\x1b[2J\x9b\u202eb\r\n", Style()) == r"a\x1b[2J\x9b\u202eb\r\n"
