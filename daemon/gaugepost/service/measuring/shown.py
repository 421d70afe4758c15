"""A record as a person is shown it: its published fields, and beside them the same numbers as text. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from gaugepost.core.bench.judging import in_unit
from gaugepost.core.quantity import exact_text
from gaugepost.core.setup import CharacteristicEntry
from gaugepost.core.shown import (
    acceptance,
    deviation,
    digits,
    fine,
    limit,
    number,
    percent,
    uncertainty,
    unit_of,
    word,
)
from gaugepost.service.views import Document
from gaugepost.teach.telling import characters

Published = Mapping[str, object]


def with_shown(published: Published) -> Document:
    """Return a published record with `shown`: its numbers as text, what does not apply left out."""
    lower_acceptance, upper_acceptance = acceptance(published)
    chance = published.get("probability")
    indication = f"{published.get('indication', '')} {published.get('indication_unit', '')}".strip()
    said = {
        "word": word(published),
        "value": digits(published),
        "unit": unit_of(published).value,
        "deviation": deviation(published),
        "lower": limit(published, "lower"),
        "upper": limit(published, "upper"),
        "lower_acceptance": lower_acceptance,
        "upper_acceptance": upper_acceptance,
        "indication": indication,
        "uncertainty": uncertainty(published),
        "uncertainty_value": _in_unit(published, "uncertainty_mm"),
        "coverage_factor": _short(published, "coverage_factor", "0.01"),
        "probability": "" if chance is None else percent(chance),
        "corrections": _corrections(published),
        "temperatures": _temperatures(published),
        "form": _form(published),
        "frame": frame(published),
    }
    return {**published, "shown": {name: value for name, value in said.items() if value}}


def frame(published: Published) -> Document | None:
    """Return the bytes that a record came of, as characters and in hexadecimal digits; None where there were none."""
    if not published.get("raw"):
        return None
    data = bytes.fromhex(str(published["raw"]))
    return {"text": characters(data), "hex": data.hex(" ").upper()}


def limits(entry: CharacteristicEntry) -> Document:
    """Return a characteristic's limits as they will be shown with what is measured of it."""
    unit, step = entry.unit, entry.step
    said = {
        name: None if (size := in_unit(size_mm, unit, step)) is None else exact_text(size)
        for name, size_mm in (
            ("lower", entry.lower_mm),
            ("upper", entry.upper_mm),
            ("nominal", entry.nominal_mm),
        )
    }
    told = {name: text for name, text in said.items() if text is not None}
    as_record = {**told, "unit": unit.value}
    shown = {name: limit(as_record, name) for name in ("lower", "upper")}
    return {**as_record, "shown": {name: text for name, text in shown.items() if text}}


def _in_unit(published: Published, name: str) -> str:
    """A length in mm in the unit that the value is shown in, for whoever draws it to scale."""
    length = number(published, name)
    unit = unit_of(published)
    stated = None if length is None else in_unit(length, unit, Decimal(1))
    return "" if stated is None else exact_text(stated)


def _short(published: Published, name: str, step: str) -> str:
    stated = number(published, name)
    return "" if stated is None else exact_text(stated.quantize(Decimal(step)))


def _corrections(published: Published) -> list[Document]:
    unit = unit_of(published)
    said: list[Document] = []
    for name in ("master", "thermal"):
        added = number(published, f"{name}_correction_mm")
        if added is not None:
            said.append({"correction": name, "added": fine(added, unit)})
    return said


def _temperatures(published: Published) -> list[Document]:
    said: list[Document] = []
    for body in ("part", "gauge", "master"):
        if (celsius := published.get(f"{body}_temperature_c")) is not None:
            source = published.get(f"{body}_temperature_source")
            said.append({"body": body, "temperature": f"{celsius} °C", "source": source})
    return said


def _form(published: Published) -> list[Document]:
    """What places show of the form, each with its expanded uncertainty."""
    unit = unit_of(published)
    said: list[Document] = []
    for figure in ("ovality", "taper", "barrel", "bell_mouth"):
        size = number(published, f"{figure}_mm")
        if size is not None:
            known = number(published, f"{figure}_uncertainty_mm")
            text = fine(size, unit) if figure in ("taper", "barrel") else fine(size, unit).lstrip("+")
            doubt = None if known is None else fine(known, unit).lstrip("+")
            said.append({"figure": figure, "size": text, "uncertainty": doubt})
    return said
