"""One table held against its model: what the model refuses becomes findings in the words of the bench.

Adapters bring models of their own. Their findings read like ours: line, key, what was expected, what to write.
"""

from __future__ import annotations

import json
import typing
from collections.abc import Callable, Mapping
from enum import Enum
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError, WithJsonSchema
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, core_schema

from gaugepost.contract import AdapterSettings, GaugepostError
from gaugepost.contract.explained import explanations
from gaugepost.edge.stationfile.findings import Report, either, nearest, toml
from gaugepost.edge.stationfile.positions import Path

M = TypeVar("M", bound=BaseModel)
Said = tuple[str, str, str]  # finding, expected, write

_OWN = frozenset(
    typing.get_args(core_schema.ErrorType)
)  # what pydantic itself finds; other types are a model's own

_ABSENT = object()

_EXPECTED = {
    "string": "text in quotes",
    "int": "a whole number",
    "float": "a number",
    "decimal": "a number",
    "bool": "true or false",
    "list": "a list in brackets",
    "tuple": "a list in brackets",
    "set": "a list in brackets",
    "frozen": "a list in brackets",
    "dict": "a table",
    "mapping": "a table",
    "model": "a table",
    "dataclass": "a table",
    "date": "a day, as 2027-03-31",
    "time": "a time of day, as 07:30:00",
    "datetime": "a day and a time",
    "timedelta": "a duration",
    "path": "a path in quotes",
    "bytes": "text in quotes",
    "url": "an address, as http://127.0.0.1:8080/",
    "uuid": "a UUID",
    "finite": "a number that is not infinite",
}
_BOUNDS = {
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
    "multiple_of": "a multiple of {multiple_of}",
    "string_too_short": "at least {min_length} characters",
    "string_too_long": "at most {max_length} characters",
    "too_short": "at least {min_length} in the list",
    "too_long": "at most {max_length} in the list",
    "bytes_too_short": "at least {min_length} bytes",
    "bytes_too_long": "at most {max_length} bytes",
}


def checked(report: Report, path: Path, model: type[M], raw: Mapping[str, object], what: str) -> M | None:
    """Return `raw` as `model`; where it can't be, note every finding under `path`.

    What is returned then is the rest of it, with the wrong keys left out, so that it can be held against other
    tables; None where a key that must be there is wrong.
    """
    return _run(report, path, model, raw, what, model.model_validate)


def checked_settings(
    report: Report, path: Path, model: type[M], raw: Mapping[str, object], what: str
) -> M | None:
    """As `checked`, for an adapter's settings: lists may become tuples, text does not become a number."""

    def validate(given: Mapping[str, object]) -> M:
        return model.model_validate_json(json.dumps(given, default=str), strict=True)

    return _run(report, path, model, raw, what, validate)


def _run(
    report: Report,
    path: Path,
    model: type[M],
    raw: Mapping[str, object],
    what: str,
    validate: Callable[[Mapping[str, object]], M],
) -> M | None:
    seen: dict[Path, list[Said]] = {}
    try:
        return validate(raw)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            key, said = _said(model, raw, what, detail)
            seen.setdefault(key, []).append(said)
        for key, all_said in seen.items():
            report.error((*path, *key), *_merged(all_said))
    except GaugepostError as error:
        report.error(path, error.finding, write=error.hint)
    wrong = {key[0] for key in seen if key}
    try:
        return validate({key: value for key, value in raw.items() if key not in wrong})
    except (ValidationError, GaugepostError):
        return None


def _merged(all_said: list[Said]) -> Said:
    """One finding for a key that could have been one of several things."""
    finding, expected, write = all_said[0]
    expectations = dict.fromkeys(said[1] for said in all_said if said[1])
    return finding, either(expectations) if expectations else expected, write


def _said(model: type[BaseModel], raw: object, what: str, detail: ErrorDetails) -> tuple[Path, Said]:
    kind, context = detail["type"], detail.get("ctx", {})
    key, owner, field = _place(model, raw, detail["loc"], kind == "missing")
    last = next((part for part in reversed(key) if isinstance(part, str)), "")
    example = _example(field)
    if kind == "extra_forbidden":
        known = _keys(owner) if owner else []
        best = nearest(last, known)
        name = what if owner is model else "this table"
        return key, (f"{toml(last)} is not a key of {name}", either(known), f"write {best}" if best else "")
    if kind == "missing":
        return key, (
            "is missing",
            _description(owner, field),
            f"write {last} = {example}" if example else f"write {last}",
        )
    shown = toml(detail["input"])
    if kind == "refused":
        literal, write = context["literal"], context["hint"]
        if literal:
            write = _write(key, literal)
        return key, (context["finding"], context["expected"], write)
    if kind in ("value_error", "assertion_error"):
        finding, _, write = (str(context["error"]) or "is refused").partition("; ")
        return key, (finding, "", write)
    if kind not in _OWN:
        return key, (detail["msg"], "", "")
    if kind in ("literal_error", "enum"):
        known = _words(field.annotation) if field else []
        best = nearest(detail["input"], known) if isinstance(detail["input"], str) else None
        expected = either(map(toml, known)) if known else str(context["expected"])
        return key, (f"{shown} is not known here", expected, _write(key, toml(best)) if best else "")
    if kind == "list_type" and isinstance(detail["input"], str):
        return key, (f"{shown} is not in a list", "a list in brackets", _write(key, f"[{shown}]"))
    expected = _expected(kind, context) or _description(owner, field) or "another value"
    return key, (f"{shown} can't be taken", expected, _write(key, example) if example else "")


def _write(key: Path, literal: str) -> str:
    """Say what to write at `key`: the whole line, or in a list the one value."""
    return f"write {literal}" if isinstance(key[-1], int) else f"write {key[-1]} = {literal}"


def _words(annotation: Any) -> list[str]:
    """Return the words that a field may hold."""
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return [str(member.value) for member in annotation]
    if typing.get_origin(annotation) is typing.Literal:
        return [str(word) for word in typing.get_args(annotation)]
    return [word for arm in typing.get_args(annotation) for word in _words(arm)]


def _expected(kind: str, context: Mapping[str, Any]) -> str:
    if context.get("min_length") == 1:
        return "at least one in the list" if kind == "too_short" else "text that is not empty"
    if kind in _BOUNDS:
        return _BOUNDS[kind].format(**context)
    if kind == "string_pattern_mismatch":
        return (
            "other characters" if r"\x00" in context["pattern"] else f"text that matches {context['pattern']}"
        )
    return _EXPECTED.get(kind.split("_", maxsplit=1)[0], "")


def _place(
    model: type[BaseModel], raw: object, loc: tuple[int | str, ...], missing: bool
) -> tuple[Path, type[BaseModel] | None, FieldInfo | None]:
    """Return the keys of `loc` as the file has them, the model that owns the last one, and its field.

    A model's location also names the arms of a union that were tried and such; those are no keys of the file.
    """
    key: Path = ()
    owner: type[BaseModel] | None = model
    field: FieldInfo | None = None
    below: list[type[BaseModel]] = [model]
    for step, part in enumerate(loc):
        below_raw = _below(raw, part)
        if below_raw is not _ABSENT:
            raw = below_raw
        elif step < len(loc) - 1 or not (missing or (isinstance(raw, dict) and _names_field(below, part))):
            continue
        key = (*key, part)
        if isinstance(part, int):
            continue
        owner, field = next(
            ((arm, found) for arm in below if (found := _field(arm, part)) is not None),
            (below[0] if below else None, None),
        )
        if field is not None:
            below = _models(field.annotation)
    return key, owner, field


def _names_field(models: list[type[BaseModel]], part: int | str) -> bool:
    """Whether `part` is a key of one of the models: they may find of themselves that a key is missing."""
    return isinstance(part, str) and any(_field(model, part) is not None for model in models)


def _below(raw: object, part: int | str) -> object:
    if isinstance(raw, dict):
        return raw.get(part, _ABSENT)
    if isinstance(raw, list) and isinstance(part, int) and part < len(raw):
        inner: object = raw[part]
        return inner
    return _ABSENT


def _field(model: type[BaseModel], name: str) -> FieldInfo | None:
    for attribute, field in model.model_fields.items():
        if name in (field.validation_alias, field.alias, attribute):
            return field
    return None


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for arm in typing.get_args(annotation) for model in _models(arm)]


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _description(owner: type[BaseModel] | None, field: FieldInfo | None) -> str:
    if owner is None or not issubclass(owner, AdapterSettings):
        return ""
    words = explanations(owner)
    name = next((name for name, known in owner.model_fields.items() if known is field), "")
    first = words.get(name, "").split("\n")[0].rstrip(".")
    return first[:1].lower() + first[1:]


def _example(field: FieldInfo | None) -> str:
    """Return a value for the field as the file would write it, or nothing where none can be told."""
    if field is None:
        return ""
    if field.examples:
        example = field.examples[0]
        return f"[{', '.join(map(_literal, example))}]" if isinstance(example, list) else _literal(example)
    for mark in field.metadata:
        if isinstance(mark, WithJsonSchema):
            schema = mark.json_schema or {}
            words = schema.get("examples") or schema.get("enum") or [None]
            return _literal(words[0])
    if typing.get_origin(field.annotation) is typing.Literal:
        return _literal(typing.get_args(field.annotation)[0])
    if isinstance(field.annotation, type) and issubclass(field.annotation, Enum):
        return _literal(next(iter(field.annotation)).value)
    return _literal(field.default) if isinstance(field.default, str | int) else ""


def _literal(value: object) -> str:
    return toml(value) if isinstance(value, str | int | float) else ""
