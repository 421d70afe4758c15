"""What the tables of a station file say of one another by name. Looks at raw tables, as `rules` does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gaugepost.edge.stationfile.findings import Report, toml
from gaugepost.edge.stationfile.positions import Path

Tables = Mapping[str, Mapping[str, Mapping[str, Any]]]
"""Section, name, table: what is written right enough to be looked at."""

SENDERS = ("gauges", "thermometers", "scanners", "triggers")
"""Sections of what sends frames over a link."""


def check(report: Report, tables: Tables) -> None:
    """Note every name that stands for nothing, everything that stands for nothing else, and every clash."""
    for section in SENDERS:
        for name, raw in tables[section].items():
            _name(report, (section, name, "link"), raw.get("link"), "links", tables)
    _clashes(report, tables)
    for section in ("thermometers", "triggers"):
        for name, raw in tables[section].items():
            if "gauge" in raw:
                _name(report, (section, name, "gauge"), raw["gauge"], "gauges", tables)
    _same_body(report, tables["thermometers"])
    for name, raw in tables["characteristics"].items():
        for section in ("gauges", "masters"):
            named = raw.get(section)
            for place, other in enumerate(named if isinstance(named, list) else ()):
                _name(report, ("characteristics", name, section, place), other, section, tables)
    _unused(report, tables)


def _name(report: Report, path: Path, name: object, section: str, tables: Tables) -> None:
    if not isinstance(name, str) or name in tables[section]:
        return
    what = section.removesuffix("s")
    if tables[section]:
        report.unknown(path, f"a {what} of this file", name, tables[section])
    else:
        report.error(
            path,
            f"{toml(name)} is not a {what} of this file, it has none",
            f"a table [{section}.{toml_key(name)}]",
        )


def toml_key(name: str) -> str:
    """Return `name` as a part of a header."""
    return toml(name) if "." in name or not name.isascii() else name


def _clashes(report: Report, tables: Tables) -> None:
    """Frames are told apart by link and channel, and who sent them by name."""
    taken: dict[tuple[str, str], str] = {}
    named: dict[str, str] = {}
    for section in SENDERS:
        for name, raw in tables[section].items():
            other = named.setdefault(name, section)
            if other != section:
                what, like = section.removesuffix("s"), other.removesuffix("s")
                report.error(
                    (section, name), f"a {like} has this name already", f"another name for the {what}"
                )
            link, channel = raw.get("link"), raw.get("channel", "")
            if not isinstance(link, str) or not isinstance(channel, str):
                continue
            first = taken.setdefault((link, channel), name)
            if first != name:
                where = f"link {toml(link)}" + (f" and channel {toml(channel)}" if channel else "")
                report.error(
                    (section, name, "channel" if "channel" in raw else "link"),
                    f"{toml(first)} has {where} already, frames could not be told apart",
                    write="give each its own link or channel",
                )


def _same_body(report: Report, raws: Mapping[str, Mapping[str, Any]]) -> None:
    measured: dict[tuple[str, str], str] = {}
    for name, raw in raws.items():
        body, gauge = raw.get("body"), raw.get("gauge", "")
        if isinstance(body, str) and isinstance(gauge, str):
            first = measured.setdefault((body, gauge), name)
            if first != name:
                of = f" of {toml(gauge)}" if gauge else ""
                report.error(
                    ("thermometers", name, "body"),
                    f"{toml(first)} measures the {body}{of} already",
                    "one thermometer for each body",
                    "remove one of them",
                )


def _unused(report: Report, tables: Tables) -> None:
    used_gauges = _all_named(tables["characteristics"], "gauges")
    used_masters = _all_named(tables["characteristics"], "masters")
    wants_others = tables["characteristics"] and all(
        "masters" in raw for raw in tables["characteristics"].values()
    )
    for name in tables["gauges"]:
        if name not in used_gauges:
            report.warn(
                ("gauges", name),
                "no characteristic names this gauge: its readings are kept but not judged",
                write=f"write gauges = [{toml(name)}] in a characteristic",
            )
    for name in tables["masters"]:
        if name not in used_masters and wants_others:
            report.warn(
                ("masters", name), "no characteristic names this master", write="remove it, or name it in one"
            )
    used_links = {
        raw.get("link")
        for section in SENDERS
        for raw in tables[section].values()
        if isinstance(raw.get("link"), str)
    }
    for name in tables["links"]:
        if name not in used_links:
            report.warn(
                ("links", name),
                "no gauge, thermometer, scanner or trigger uses this link",
                write=f"write link = {toml(name)} in one, or remove it",
            )
    if tables["gauges"] and not tables["masters"]:
        report.warn(
            ("masters",),
            "there is no master: no gauge can be mastered and nothing will be judged",
            "a table [masters.NAME] with its size",
        )
    if not tables["gauges"]:
        report.warn(("gauges",), "there is no gauge: nothing will be measured", "a table [gauges.NAME]")


def _all_named(raws: Mapping[str, Mapping[str, Any]], key: str) -> set[str]:
    lists = [raw[key] for raw in raws.values() if isinstance(raw.get(key), list)]
    return {name for names in lists for name in names if isinstance(name, str)}
