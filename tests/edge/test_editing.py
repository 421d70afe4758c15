"""Edits of a station file by a program."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings, strategies as st

from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.edge.editing import edited, merged

COMPLETE = Path(__file__).parents[2] / "deploy" / "stations" / "complete.toml"

TEXT = """\
# our second bench
[station]
name = "bench-2"   # as on the door

[masters.ring-38]
size = "38.0012 mm"  # certificate 2025-114
serial_number = "4711"

[characteristics.A]
feature = "bore"
limits = "38 H7"
"""


@pytest.mark.parametrize(
    ("target", "patch", "result"),
    [
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
        ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
        ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
        ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
    ],
)
def test_a_merge_patch_does_what_its_standard_says(target: Any, patch: Any, result: Any) -> None:
    """RFC 7396, appendix A, of the cases that are objects before and after."""
    assert merged(target, patch) == result


def test_only_what_is_named_changes() -> None:
    """Every other line stands as it was, comments at the edited line too."""
    new = edited(TEXT, {"masters": {"ring-38": {"size": "38.0013 mm"}}})
    assert new == TEXT.replace("38.0012", "38.0013")


def test_tables_come_and_go() -> None:
    """One that is added stands under a header of its own; one that is removed leaves the others as they were."""
    ring = {"size": "40.0001 mm", "serial_number": "4712"}
    new = edited(TEXT, {"masters": {"ring-40": ring}, "characteristics": {"A": None}})
    assert tomllib.loads(new)["masters"]["ring-40"] == ring
    assert "[masters.ring-40]" in new
    assert "# certificate 2025-114" in new
    assert "[characteristics.A]" not in new


def test_what_toml_cannot_hold_is_refused() -> None:
    """A null in a list removes nothing that anybody could name; half a character or file is none."""
    with pytest.raises(ValueRefused, match="null"):
        edited(TEXT, {"masters": {"ring-38": {"codes": ["a", None]}}})
    halves: list[dict[str, Any]] = [
        {"masters": {"r\ud800": {}}},
        {"masters": {"ring-38": {"certificate": "\udfff"}}},
    ]
    for change in halves:
        with pytest.raises(ValueRefused, match="half a character"):
            edited(TEXT, change)
    with pytest.raises(CommandRefused, match="can't be edited"):
        edited("[station", {"station": {"name": "x"}})


COMMENTS = [line for line in COMPLETE.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
VALUES = st.one_of(st.text(max_size=20), st.integers(-(2**40), 2**40), st.booleans())
NAMES = st.text(min_size=1, max_size=10)


@settings(max_examples=20)
@given(
    table=st.sampled_from(["gauges", "masters", "characteristics", "destinations"]),
    name=NAMES,
    entry=st.dictionaries(NAMES, st.one_of(VALUES, st.lists(VALUES, max_size=3)), min_size=1, max_size=4),
    value=VALUES,
)
@pytest.mark.attack
def test_any_edit_says_what_was_asked_for_and_keeps_the_comments(
    table: str, name: str, entry: dict[str, Any], value: Any
) -> None:
    """Whatever the names and values: the file reads as the patch has it, or the edit is refused."""
    before = COMPLETE.read_text(encoding="utf-8")
    change = {table: {name: entry}, "station": {"name": value}}
    after = edited(before, change)
    assert tomllib.loads(after) == merged(tomllib.loads(before), change)
    assert [line for line in after.splitlines() if line.startswith("#")] == COMMENTS
    assert tomlkit.parse(after).as_string() == after
