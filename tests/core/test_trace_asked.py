"""What is said of a correction in words, and a trace as plain values: what to do about each row, and in which order."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench.tracing.asked import known_or_refused, revision_from
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.document import (
    ACTIONS,
    GET_BACK,
    LOOK,
    MEASURE_AGAIN,
    RELEASE,
    action,
    check_document,
    counts,
    document,
    row_document,
    urgency,
)
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import CheckRow, Row, Trace, _came_otherwise
from gaugepost.core.errors import ValueRefused
from gaugepost.core.record import Entry, Kind, Record

EPOCH = "0" * 36


@pytest.mark.parametrize(
    ("what", "name", "said", "masters", "thermometers"),
    [
        (What.MASTER, "ring-1", {"size": "38.0009 mm"}, {"ring-1": {"size": D("38.0009")}}, {}),
        (
            What.MASTER,
            "ring-1",
            {"uncertainty": "0.8 µm", "coverage_factor": "2.1"},
            {"ring-1": {"uncertainty": D("0.0008"), "coverage_factor": D("2.1")}},
            {},
        ),
        (What.MASTER, "ring-1", {"size": "1 in", "master": "ring-2"}, {"ring-2": {"size": D("25.4")}}, {}),
        (What.GAUGE, "bore-1", {"size": "38 mm", "master": "ring-2"}, {"ring-2": {"size": D(38)}}, {}),
        (What.GAUGE, "bore-1", {"correction": "0.2 °C", "thermometer": "air"}, {}, {"air": D("0.2")}),
        (What.THERMOMETER, "air", {"correction": " -0.3 K"}, {}, {"air": D("-0.3")}),
        (What.THERMOMETER, "air", {"correction": "+0.3  K", "thermometer": "probe"}, {}, {"probe": D("0.3")}),
        (
            What.THERMOMETER,
            "air",
            {"correction": "0 K", "master": "ring-1", "size": "38 mm"},
            {"ring-1": {"size": D(38)}},
            {"air": D(0)},
        ),
        (What.MASTER, "ring-1", {}, {}, {}),
        (What.MASTER, "ring-1", {"size": None, "correction": None}, {}, {}),
        (What.THERMOMETER, "air", {"master": "ring-1"}, {}, {}),
        (What.MASTERING, "", {}, {}, {}),
    ],
)
def test_what_is_corrected_is_read(
    what: What,
    name: str,
    said: dict[str, str | None],
    masters: dict[str, dict[str, D]],
    thermometers: dict[str, D],
) -> None:
    """A certificate's keys are the traced master's, or those of the one that is named; so with a thermometer."""
    revision = revision_from(what, name, said)
    assert revision == Revision(masters, thermometers)
    assert bool(revision) is bool(masters or thermometers)


@pytest.mark.parametrize(
    ("what", "said", "finding"),
    [
        (What.GAUGE, {"size": "38 mm"}, "whose certificate"),
        (What.THERMOMETER, {"uncertainty": "1 µm"}, "whose certificate"),
        (What.MASTER, {"correction": "0.1 K"}, "which thermometer"),
        (What.MASTER, {"size": "0 mm"}, "'0 mm' is no size"),
        (What.MASTER, {"uncertainty": "-1 µm"}, "'-1 µm' is no uncertainty"),
        (What.MASTER, {"coverage_factor": "0"}, "'0' is no coverage factor"),
        (What.MASTER, {"coverage_factor": "2 mm"}, "2 mm"),
        (What.MASTER, {"size": "38"}, "38"),
        (What.THERMOMETER, {"correction": "0.3"}, "'0.3' is no correction"),
        (What.THERMOMETER, {"correction": "0.3 F"}, "'0.3 F' is no correction"),
        (What.THERMOMETER, {"correction": "x K"}, "x"),
    ],
)
def test_what_corrects_nothing_is_refused(what: What, said: dict[str, str | None], finding: str) -> None:
    """Whose value it is has to be clear, a length has a unit and is above 0, a correction is in kelvin."""
    with pytest.raises(ValueRefused) as refused:
        revision_from(what, "this", said)
    assert finding in refused.value.finding
    assert refused.value.hint


def test_a_name_that_never_was_is_refused_with_those_that_were() -> None:
    """The nearest name is asked after; without a near one the first twenty are listed; a long name is cut."""
    names = ("ring-40", "ring-38", "ring-38")
    known_or_refused("master", "ring-38", names)
    with pytest.raises(ValueRefused) as near:
        known_or_refused("master", "ring38", names)
    assert (near.value.finding, near.value.hint) == (
        "no master was ever named 'ring38' here",
        "did you mean ring-38?",
    )
    with pytest.raises(ValueRefused) as far:
        known_or_refused("master", "q" * 90, names)
    assert far.value.finding == f"no master was ever named {'q' * 80!r} here"
    assert far.value.hint == "there were: ring-38, ring-40"
    with pytest.raises(ValueRefused) as none:
        known_or_refused("master", "q", ())
    assert none.value.hint == "there were: none"
    with pytest.raises(ValueRefused) as many:
        known_or_refused("master", "q", (f"r{at:02}" for at in range(30)))
    assert many.value.hint == "there were: " + ", ".join(f"r{at:02}" for at in range(20))


READING = Record(kind=Kind.READING, measured_at=1_790_000_000_000, clock_ms=0, gauge="bore-1")


def row(before: str | None, after: str | None, base: int = 5, value: str = "38.001", stands: int = 0) -> Row:
    """Return a reading that stands with one decision and comes to another, at 38.000 and at `value`."""
    was = replace(READING, decision=before, value_mm=D("38.000"))
    made = replace(READING, decision=after, value_mm=D(value))
    return Row(base, Kind.READING, READING.measured_at, Entry(stands or base, b"", was), made, Revision())


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("accept", "reject", GET_BACK),
        ("accept", None, MEASURE_AGAIN),
        ("accept", "accept", ""),
        ("reject", "accept", RELEASE),
        (None, "accept", RELEASE),
        ("reject", None, LOOK),
        (None, "reject", LOOK),
        ("reject", "reject", ""),
        (None, None, ""),
    ],
)
def test_what_is_to_be_done(before: str | None, after: str | None, said: str) -> None:
    """A part that went out and is bad is fetched, one no longer proved measured again, one that is good released."""
    assert action(row(before, after)) == said
    told = row_document(row(before, after), EPOCH)
    assert told.get("action") == (said or None)
    assert ("action" in told) is bool(said)


def traced(*rows: Row, checks: tuple[CheckRow, ...] = (), asked: Asked | None = None) -> Trace:
    revision = Revision(masters={"ring-1": {"size": D("38.0009")}})
    return Trace(asked or Asked(What.MASTER, "ring-1"), revision, 99, rows, checks, 2, {}, 3)


EVERY = (
    row("accept", "accept", 1, "38.000"),
    row("reject", None, 2),
    row("accept", "accept", 3),
    row(None, "accept", 4),
    row("accept", None, 5),
    row("accept", "reject", 6),
    row("accept", "reject", 7),
)


def test_the_most_urgent_comes_first() -> None:
    """First what is to be got back, in the order it was measured; then each action; last what does not change."""
    assert [each.base for each in sorted(EVERY, key=urgency)] == [6, 7, 5, 4, 2, 3, 1]
    assert [action(each) for each in sorted(EVERY, key=urgency)][1:5] == list(ACTIONS)


def test_what_a_trace_comes_to_is_counted() -> None:
    """How many depended, changed in any number, and in their decision, by what is to be done; and what is left out."""
    check = CheckRow(9, READING, READING)
    assert counts(traced(*EVERY, checks=(check,))) == {
        "depended": 7,
        "changed": 6,
        "decision_changed": 5,
        "get_back": 2,
        "measure_again": 1,
        "release": 1,
        "look": 1,
        "checks_changed": 1,
        "voided": 2,
        "cannot_be_made_again": 3,
    }


@pytest.mark.parametrize(("limit", "bases", "left_out"), [(None, 7, 0), (7, 7, 0), (2, 2, 5), (0, 0, 7)])
def test_the_first_rows_are_shown(limit: int | None, bases: int, left_out: int) -> None:
    """Of a limited list the most urgent rows are shown, and how many are not; the counts are of all."""
    told = document(traced(*EVERY), EPOCH, limit)
    wanted = [6, 7, 5, 4, 2, 3, 1][:bases]
    assert [each["measured_as"] for each in told["rows"]] == [f"{EPOCH}-{at}" for at in wanted]
    assert (told["left_out"], told["counts"]["depended"]) == (left_out, 7)
    assert (told["through"], told["corrected"]) == (99, ["masters.ring-1.size = 38.0009 mm"])


def test_what_was_asked_is_told() -> None:
    """A master by its name and without an end, a mastering by its record, a period by its two ends."""
    told = document(traced(), EPOCH)
    assert (told["what"], told["name"], told["since"], told["until"]) == ("master", "ring-1", None, None)
    asked = Asked(What.MASTERING, sequence=12, since_ms=1_790_000_000_000, until_ms=1_790_000_060_000)
    told = document(traced(asked=asked), EPOCH)
    assert (told["what"], told["name"]) == ("mastering", f"{EPOCH}-12")
    assert (told["since"], told["until"]) == ("2026-09-21T14:13:20.000Z", "2026-09-21T14:14:20.000Z")


def test_a_row_says_what_it_was_and_what_it_becomes() -> None:
    """It has the identity of the record that stands, and of what it was measured as; what does not apply is no part."""
    told = row_document(row("accept", "reject", base=5, stands=8), EPOCH)
    assert (told["id"], told["measured_as"]) == (f"{EPOCH}-8", f"{EPOCH}-5")
    assert (told["kind"], told["measured_at"], told["gauge"]) == (
        "reading",
        "2026-09-21T14:13:20.000Z",
        "bore-1",
    )
    assert (told["decision"], told["decision_becomes"]) == ("accept", "reject")
    assert told["changes"] == ["value_mm", "decision"]
    assert "verdict" not in told
    assert "lot" not in told


@pytest.mark.parametrize(
    ("error", "limit", "becomes"),
    [
        ("0.002", "0.002", "passed"),
        ("-0.002", "0.002", "passed"),
        ("0.0021", "0.002", "failed"),
        ("-0.0021", "0.002", "failed"),
        (None, "0.002", "failed"),
        ("0.001", None, "failed"),
    ],
)
def test_a_check_passes_within_its_limit(error: str | None, limit: str | None, becomes: str) -> None:
    """Off by its limit a check passes, either way; without an error or a limit nothing says that it does."""
    was = replace(
        READING,
        kind=Kind.CHECK,
        code="passed",
        master="ring-1",
        error_mm=D(0),
        limit_mm=None if limit is None else D(limit),
    )
    made = replace(was, error_mm=None if error is None else D(error))
    told = check_document(CheckRow(9, was, made), EPOCH)
    assert (told["code"], told["code_becomes"], told["id"]) == ("passed", becomes, f"{EPOCH}-9")
    assert told["error_mm_becomes"] == error


@pytest.mark.parametrize(
    ("code", "reasons", "error", "limit", "otherwise"),
    [
        ("passed", None, "0.002", "0.002", False),
        ("passed", None, "-0.0021", "0.002", True),
        ("failed", ("off",), "-0.002", "0.002", True),
        ("failed", ("off",), "0.0021", "0.002", False),
        ("failed", ("off", "the unit changed"), "0.001", "0.002", False),
        ("failed", None, "0.001", "0.002", False),
        ("passed", None, None, "0.002", False),
        ("passed", None, "0.9", None, False),
    ],
)
def test_a_check_comes_out_otherwise_by_its_error_alone(
    code: str, reasons: tuple[str, ...] | None, error: str | None, limit: str | None, otherwise: bool
) -> None:
    """One that failed for another reason too fails still; without an error or a limit nothing can be said anew."""
    check = replace(
        READING,
        kind=Kind.CHECK,
        code=code,
        reasons=reasons,
        error_mm=None if error is None else D(error),
        limit_mm=None if limit is None else D(limit),
    )
    assert _came_otherwise(check) is otherwise
