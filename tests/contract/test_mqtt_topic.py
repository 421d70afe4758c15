"""Topics: no value, whatever somebody scanned, gets out of the level it was put into."""

from __future__ import annotations

import urllib.parse

import pytest
from hypothesis import example, given, strategies as st
from paho.mqtt.client import topic_matches_sub

from gaugepost.contract.kit.destinations import samples
from gaugepost.core.record import COLUMNS
from gaugepost_adapters.destinations.mqtt import topic

TEMPLATE = "shop/{station}/{lot}/{kind}"
values = st.text(max_size=200)

WRONG = {
    "empty": ("", "empty level"),
    "a slash before": ("/shop/{kind}", "empty level"),
    "a slash after": ("shop/{kind}/", "empty level"),
    "two slashes": ("shop//{kind}", "empty level"),
    "a plus": ("shop/+/{kind}", "wildcard"),
    "a hash": ("shop/#", "wildcard"),
    "a NUL": ("shop/\0", "control character"),
    "a line end": ("shop\n/x", "control character"),
    "half a surrogate pair": ("shop/\ud800", "control character"),
    "the broker's own": ("$SYS/{kind}", "begin with $"),
    "an unknown name": ("shop/{guage}", "{guage}"),
    "a list": ("shop/{reasons}", "{reasons}"),
    "an attribute": ("shop/{kind.real}", "{kind.real}"),
    "a conversion": ("shop/{kind!r}", "{kind!r}"),
    "no name": ("shop/{}", "{}"),
    "an open brace": ("shop/{kind", "brace"),
    "a closing brace": ("shop/kind}", "brace"),
    "too long": ("x" * 1025, "1025 bytes"),
    "too many placeholders": ("/".join(["{lot}"] * 9), "1160 bytes"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_template_that_could_break_a_topic_is_an_error(wrong: str) -> None:
    """Wildcards, empty levels, unknown names and topics without bound are found before anything is sent."""
    template, said = WRONG[wrong]
    with pytest.raises(ValueError) as error:
        topic.check("topic", template, topic.PLACEHOLDERS)
    assert said in str(error.value)
    assert "; " in str(error.value), "it does not say what to do"


def test_a_template_becomes_a_topic() -> None:
    """Names are replaced by the record's values; what does not apply is a hyphen."""
    make = topic.maker("gaugepost/{station}/{gauge}/{kind}/{lot}-{piece}")
    record = {"station": "bench 1", "gauge": "bore-40", "kind": "reading", "piece": 7, "lot": None}
    assert make(record) == "gaugepost/bench 1/bore-40/reading/--7"


def test_placeholders_are_names_of_single_things() -> None:
    """Every name of the vocabulary is a placeholder, but for lists and what is no name of anything."""
    without = {"reasons", "members", "master_indications_mm", "master_spans_mm", "raw", "document", "hash"}
    assert set(topic.PLACEHOLDERS) | without == set(COLUMNS)
    several = {name for record in samples(1, 50) for name, value in record.items() if isinstance(value, list)}
    assert not several & set(topic.PLACEHOLDERS)


@given(values)
@example("")
@example("-")
@example("%2D")
@example("+")
@example("#")
@example("a/b")
@example("$SYS")
@example("\0")
@example("/" * 200)
@example("ü" * 200)
@example("\ud800")
def test_a_value_stays_in_its_level(value: str) -> None:
    """A topic has as many levels as its template, none empty, no wildcard, no NUL, and is valid UTF-8 within bounds.

    MQTT 5.0, 4.7.1 and 4.7.3 for what is valid; the library's own matcher as second opinion.
    """
    made = topic.maker(TEMPLATE)({"station": value, "lot": value, "kind": "reading"})
    levels = made.split("/")
    assert len(levels) == 4
    assert all(levels)
    assert not set(made) & {"+", "#", "\0"}
    assert all(len(level.encode()) <= topic.MOST_VALUE_BYTES for level in levels)
    assert topic_matches_sub("shop/+/+/reading", made)
    assert not topic.maker("{lot}/x")({"lot": value}).startswith("$")


@given(values, values)
@example("", "-")
@example("a/b", "a%2Fb")
@example("x" * 300, "x" * 301)
@example("~", "%7E")
def test_different_values_give_different_topics(one: str, other: str) -> None:
    """Two lots never share a topic, however they are written."""
    assert (topic.level(one) == topic.level(other)) == (one == other)


@given(st.text(min_size=2, max_size=10))
def test_a_short_value_can_be_read_back(value: str) -> None:
    """What was escaped is found again with the rules for web addresses (RFC 3986, 2.1)."""
    assert urllib.parse.unquote(topic.level(value)) == value


def test_a_long_value_keeps_its_beginning() -> None:
    """A value that is too long is cut between characters, and still told from one that begins alike."""
    made = topic.level("Los Süd/" + "ü" * 100 + "1")
    assert made.startswith("Los Süd%2Fü")
    assert made != topic.level("Los Süd/" + "ü" * 100 + "2")
    assert len(made.encode()) <= topic.MOST_VALUE_BYTES
