"""Settings explain themselves to an editor, to a finding and to the kit, without a start paying for it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from pydantic import Field

from gaugepost.cli import main
from gaugepost.contract import AdapterSettings
from gaugepost.contract.explained import explanations


class _Line(AdapterSettings):
    """Settings as a stranger writes them."""

    baud: int = 9600
    """Bits a second,
    both ways."""
    parity: str = Field("none", description="odd, even or none")
    """Not this: the description was meant."""
    stop_bits: int = 1


class _Slow(_Line):
    baud: int = 300
    """As old gauges send."""


def test_words_are_docstrings_or_descriptions() -> None:
    """A field's words stand under it or in its description, which comes first; a field may have none."""
    assert explanations(_Line) == {"baud": "Bits a second,\nboth ways.", "parity": "odd, even or none"}


def test_an_heir_is_asked_first() -> None:
    """What a subclass says of a field counts; of the others, what its parent says."""
    assert explanations(_Slow) == {"baud": "As old gauges send.", "parity": "odd, even or none"}


def test_settings_made_while_running_are_without_words() -> None:
    """A class that has no source is no reason to fail."""
    made: type[AdapterSettings] = type("Made", (AdapterSettings,), {"__annotations__": {"baud": int}})
    assert explanations(made) == {}


def test_the_schema_explains_every_key(capsys: pytest.CaptureFixture[str]) -> None:
    """An editor can show words for whatever may be written in a station file, an adapter's keys too."""
    assert main(["schema"]) == 0
    schema: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert "gaugepost.decoders.delimited_text.ErrorText" in schema["$defs"]
    silent = [
        f"{path}.{key}"
        for path, table in _tables(schema, "")
        for key, said in table.items()
        if not said.get("description") and key not in ("kind", "decoder") and path
    ]
    assert silent == []


def _tables(schema: Any, path: str) -> list[tuple[str, dict[str, Any]]]:
    """Return every table of keys in `schema`, with where it stands."""
    if isinstance(schema, list):
        return [found for at, inner in enumerate(schema) for found in _tables(inner, f"{path}[{at}]")]
    if not isinstance(schema, dict):
        return []
    own = [(path, schema["properties"])] if schema.get("type") == "object" and "properties" in schema else []
    return own + [found for key, inner in schema.items() for found in _tables(inner, f"{path}/{key}")]
