"""The JSON schema of the station file, for editors: completion and a first check while it is typed.

The models say it all; what is installed decides which kinds of links, decoders and destinations there are.
"""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema
from pydantic_core.core_schema import ModelSchema

from gaugepost.contract import SettingsError
from gaugepost.contract.explained import explanations
from gaugepost.edge import plugins
from gaugepost.edge.stationfile import model
from gaugepost.edge.stationfile.tables.backup import BackupTable
from gaugepost.edge.stationfile.tables.checkpoints import CheckpointsTable

TITLE = "gaugepost station file"
DIALECT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]

_SHARED: Schema = {
    "type": "object",
    "properties": {
        "file": {
            "type": "string",
            "minLength": 1,
            "description": "File with the rest, its path from this file's folder; keys here add to it and change none.",
        }
    },
    "required": ["file"],
}
"""A decoder's table that names a description."""


def station_schema() -> Schema:
    """Return the schema. A plug-in that can't be used is left out; `check` says why."""
    definitions: Schema = {}
    link = _kinds(definitions, plugins.LINKS, model.LinkTable)
    decoder = _kinds(definitions, plugins.DECODERS, model.DecoderTable)
    decoder["oneOf"].append(_SHARED)
    for arm in link["oneOf"]:
        arm["properties"]["decoder"] = decoder
        arm["required"].append("decoder")
    declared = _of({}, model.TemperatureTable)
    temperatures = _of({}, model.TemperaturesTable)
    for body, said in temperatures["properties"].items():
        temperatures["properties"][body] = {
            "description": said.get("description", ""),
            "anyOf": [declared["properties"]["value"], declared],
        }
    schema = {
        "$schema": DIALECT,
        "title": TITLE,
        "type": "object",
        "additionalProperties": False,
        "required": ["station"],
        "properties": {
            "station": _of(definitions, model.StationTable),
            "service": _of(definitions, model.ServiceTable),
            "temperatures": temperatures,
            "backup": _of(definitions, BackupTable),
            "checkpoints": _of(definitions, CheckpointsTable),
            "links": _named(link),
            "gauges": _named(_of(definitions, model.GaugeTable)),
            "masters": _named(_of(definitions, model.MasterTable)),
            "thermometers": _named(_of(definitions, model.ThermometerTable)),
            "scanners": _named(_of(definitions, model.ScannerTable)),
            "triggers": _named(_of(definitions, model.TriggerTable)),
            "characteristics": _named(_of(definitions, model.CharacteristicTable)),
            "destinations": _named(_kinds(definitions, plugins.DESTINATIONS, model.DestinationTable)),
        },
        "$defs": definitions,
    }
    tidied: Schema = _tidied(schema)
    return tidied


_TABLES: dict[str, type[model.Table]] = {
    "station": model.StationTable,
    "gauges": model.GaugeTable,
    "masters": model.MasterTable,
    "characteristics": model.CharacteristicTable,
}


def section_schema(section: str) -> Schema:
    """Return the schema of one table of a section: a key of `_TABLES`, or "destinations" for one arm a kind."""
    definitions: Schema = {}
    if section == "destinations":
        table = _kinds(definitions, plugins.DESTINATIONS, model.DestinationTable)
    else:
        table = _of(definitions, _TABLES[section])
    tidied: Schema = _tidied({**table, "$defs": definitions})
    return tidied


def _tidied(schema: Any) -> Any:
    """Return the schema without what TOML doesn't have, null, and without titles that only repeat the key."""
    if isinstance(schema, list):
        return [_tidied(arm) for arm in schema if arm != {"type": "null"}]
    if not isinstance(schema, dict):
        return schema
    kept = {
        key: _tidied(value)
        for key, value in schema.items()
        if not (key == "title" and isinstance(value, str) and value != TITLE)
        and not (key == "default" and value is None)
    }
    if len(kept.get("anyOf", ())) == 1 and isinstance(kept["anyOf"][0], dict):
        (arm,) = kept.pop("anyOf")
        kept = {**arm, **kept}
    return kept


def _named(table: Schema) -> Schema:
    names = {"pattern": r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$"}
    return {"type": "object", "propertyNames": names, "additionalProperties": table}


def _kinds(definitions: Schema, group: str, common: type[model.Table]) -> Schema:
    """Return one arm for each installed kind: the keys that all have, and its own."""
    arms = []
    for kind in plugins.installed(group):
        try:
            settings = plugins.find(group, kind).Settings
        except SettingsError:
            continue
        arm = _of(definitions, settings, f"{group}.{kind}.")
        shared = _of(definitions, common)["properties"]
        arm["properties"] = {**shared, "kind": {"const": kind}, **arm.get("properties", {})}
        arm["required"] = ["kind", *arm.get("required", [])]
        arms.append(arm)
    return {"oneOf": arms} if arms else {"not": {}, "oneOf": []}


def _of(definitions: Schema, table: type[Any], prefix: str = "") -> Schema:
    schema: Schema = table.model_json_schema(
        ref_template=f"#/$defs/{prefix}{{model}}", schema_generator=_Explained
    )
    definitions.update({f"{prefix}{name}": inner for name, inner in schema.pop("$defs", {}).items()})
    return schema


class _Explained(GenerateJsonSchema):
    """Describes each key by the docstring under its field."""

    def model_schema(self, schema: ModelSchema) -> Schema:
        told = super().model_schema(schema)
        model = schema["cls"]
        for name, words in explanations(model).items():
            told["properties"][model.model_fields[name].alias or name]["description"] = words
        return told
