"""`gaugepost drift` over a real journal: the table a quality engineer reads, its chart, and the same for programs."""

from __future__ import annotations

import contextlib
import csv
import io
import json
from decimal import Decimal as D
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.core.bench import events as ev
from gaugepost.edge.journal import Journal
from tests.core.station import Hand, set_up

DAY_MS = 86_400_000


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A week of two people at one gauge, whose contacts are changed in the middle: one drifts, one check fails."""
    hand = Hand(set_up({"contact_sets": ("A", "B"), "valid_for_ms": None, "check_limit_mm": D("0.002")}))
    for contact_set, days in (("A", 6), ("B", 3)):
        hand.do(ev.Report("bore-1", "contacts", contact_set=contact_set))
        hand.ready()
        for day in range(days):
            hand.wait(DAY_MS)
            hand.do(ev.SetTags({"operator": f"M{day % 2 + 1}"}))
            hand.check(f"38.{40 + 5 * day:03}5" if contact_set == "A" and day == 5 else f"38.004{2 * day}")
    path = tmp_path / "data" / "journal.db"
    with contextlib.closing(Journal.open(path, "test bench")) as made:
        made.append(hand.records)
    return path


def test_the_table_and_the_chart(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line for each gauge, contact set and master; what failed is said and marked."""
    assert main(["drift", "--journal", str(journal)]) == 0
    told = capsys.readouterr().out
    lines = told.splitlines()
    assert lines[0] == "offset at mastering: the master's size minus the indication on it, in µm"
    assert [line.split()[0] for line in lines[1:2]] == ["number"]
    (of_b,) = [
        line for line in lines if line.startswith("  bore-1, contact set B, ring-1 ") and "+0.15" in line
    ]
    assert of_b.split()[5:10] == ["4", "+0.15", "0.19", "+0.00", "+0.40"]
    assert "bore-1, contact set A, ring-1: 1 of 7 failed" in told
    assert "bore-1, contact set B, ring-1, deviation, limit ± 2.00 µm" in told
    (drawn,) = [line for line in lines if line.endswith("x")]
    assert drawn.startswith("+61.50 |")


def test_what_is_asked_for(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Filters leave out, --by puts together, and what is in no journal is said."""
    words = [
        "drift",
        "--journal",
        str(journal.parent),
        "--what",
        "deviation",
        "--no-chart",
        "--by",
        "gauge,operator",
    ]
    assert main([*words, "--contact-set", "B"]) == 0
    told = capsys.readouterr().out
    assert "offset" not in told
    assert [line.split()[:3] for line in told.splitlines()[2:4]] == [
        ["bore-1,", "M2", "2"],
        ["bore-1,", "M1", "2"],
    ]
    assert main([*words, "--gauge", "bore-9"]) == 0
    assert "no mastering or check" in capsys.readouterr().out
    assert main([*words, "--since", "yesterday"]) == 2
    assert "neither a day nor a time" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main([*words, "--by", "colour"])
    assert "there are: gauge, contact-set, master, operator" in capsys.readouterr().err


def test_programs_get_every_value(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """JSON has each series with its numbers and values, CSV a row for every mastering and check."""
    assert main(["drift", "--journal", str(journal), "--json"]) == 0
    series = json.loads(capsys.readouterr().out)["series"]
    assert [(each["what"], each["contact_set"], each["count"]) for each in series] == [
        ("offset", "A", 1), ("deviation", "A", 7), ("offset", "B", 1), ("deviation", "B", 4),
    ]  # fmt: skip
    assert main(["drift", "--journal", str(journal), "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert len(rows) == 13
    assert [row["failed"] for row in rows].count("true") == 1
    assert rows[0]["value_mm"] == series[0]["points"][0]["value_mm"]
