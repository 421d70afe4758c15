"""Records as a person is shown them: the numbers as text, in the drawing's unit, for whatever was ever recorded."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from gaugepost.core.publication import publish
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind
from gaugepost.core.setup import CharacteristicEntry, Feature
from gaugepost.service.measuring.shown import limits, with_shown
from tests.journals.shop import BATCHES, EVERY_FIELD

EPOCH = "0f8fad5b-d9cb-469f-a165-70867728950e"


def test_every_record_can_be_shown() -> None:
    """Each record of each kind is shown: its fields as published, and no text among its numbers is empty."""
    records = [record for batch in BATCHES for record in batch]
    records += [replace(EVERY_FIELD, kind=kind) for kind in Kind]
    for sequence, record in enumerate(records, 1):
        published = publish(Entry(sequence, bytes(32), record), EPOCH, "shop")
        document = with_shown(published)
        shown = document["shown"]
        assert isinstance(shown, dict)
        assert {**document, "shown": None} == {**published, "shown": None}
        assert all(shown.values())
        assert shown["unit"] == published.get("unit", "mm")
        assert ("frame" in shown) == bool(published.get("raw"))


def test_an_inch_drawing_is_shown_in_inches() -> None:
    """Value, limits, deviation and uncertainty stand in the drawing's unit, whatever the gauge showed."""
    published = {
        "unit": "in", "value": "0.94531234", "deviation": "0.00031234", "lower": "0.9450", "upper": "0.9458",
        "lower_acceptance": "0.945081", "upper_acceptance": "0.945719", "uncertainty_mm": "0.0020574",
        "coverage_factor": "2.0049", "indication": "24.0111", "indication_unit": "mm", "probability": "0.99951",
        "master_correction_mm": "-0.0003", "verdict": "in-limits", "decision": "accept",
    }  # fmt: skip
    shown = with_shown(published)["shown"]
    assert shown == {
        "word": "in-limits", "value": "0.9453", "unit": "in", "deviation": "+0.0003", "lower": "0.9450",
        "upper": "0.9458", "lower_acceptance": "0.94509", "upper_acceptance": "0.94571", "indication": "24.0111 mm",
        "uncertainty": "81 µin", "uncertainty_value": "0.000081", "coverage_factor": "2.00", "probability": "> 99.9 %",
        "corrections": [{"correction": "master", "added": "-12 µin"}],
    }  # fmt: skip


def test_limits_are_shown_as_the_drawing_has_them() -> None:
    """Limits keep the zeros that they are written with; one that the drawing has not is not there."""
    entry = CharacteristicEntry(
        name="A",
        feature=Feature.BORE,
        unit=Unit.MM,
        lower_mm=Decimal("38"),
        step=Decimal("0.001"),
        gauges=("g",),
    )
    assert limits(entry) == {"lower": "38.000", "unit": "mm", "shown": {"lower": "38.000"}}
