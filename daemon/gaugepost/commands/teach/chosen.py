"""Which link is taught: named with its settings, or as a station file has it."""

from __future__ import annotations

import argparse
import json
import os
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from gaugepost.commands.talk import ENVIRONMENT, service_of
from gaugepost.contract import Link
from gaugepost.contract.probing import Line
from gaugepost.contract.teaching import HandsOnAll
from gaugepost.core.errors import GaugepostError, SettingsError, Unreachable
from gaugepost.edge.clock import Clock
from gaugepost.edge.plugins import LINKS, find


@dataclass(frozen=True, slots=True)
class Chosen:
    """A kind of link, and what was said of its settings."""

    kind: str
    given: Mapping[str, object]

    def with_line(self, line: Line) -> Chosen:
        """Return the same with its line set so."""
        return Chosen(self.kind, {**self.given, "baud": line.baud, "bits": line.bits, "parity": line.parity})

    def maker(self) -> Callable[[], Link]:
        """Return what makes the link; where nothing says where its values are, it hands on all that comes.

        Raises:
            SettingsError: it can't be made so.
        """
        link = find(LINKS, self.kind)
        offered: object = link
        every = offered.everything if isinstance(offered, HandsOnAll) else {}
        try:
            settings = link.Settings.model_validate({**every, **self.given})
        except ValidationError as error:
            told = "; ".join(f"{'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors())
            raise SettingsError(
                f"{self.kind} can't be opened so: {told}", hint="write its keys as KEY=VALUE"
            ) from error
        clock = Clock()
        return lambda: link(settings, clock)


def chosen(name: str, words: Iterable[str], station: Path | None) -> Chosen:
    """Return the link that is meant: of kind `name` with settings KEY=VALUE, or called `name` in a station file.

    Raises:
        SettingsError: there is none such, or a running service has it.
    """
    given = _settings(words)
    if station is None:
        return Chosen(name, given)
    table, called = _table(station, name)
    _is_free(station, called, name)
    kind = table.pop("kind", None)
    if not isinstance(kind, str):
        raise SettingsError(
            f"{station}: links.{name} says no kind", hint='write kind = "serial_port", or another'
        )
    return Chosen(kind, {**{key: value for key, value in table.items() if key != "decoder"}, **given})


def _settings(words: Iterable[str]) -> dict[str, object]:
    found: dict[str, object] = {}
    for word in words:
        key, equals, value = word.partition("=")
        if not equals or not key:
            raise SettingsError(f"{word!r} is no setting", hint="write KEY=VALUE, as baud=9600")
        try:
            found[key] = json.loads(value)
        except ValueError:
            found[key] = value
    return found


def _table(station: Path, name: str) -> tuple[dict[str, Any], object]:
    """Return a link's table, and the station's name. The rest may be unfinished: the gauge has no decoder yet."""
    try:
        told = tomllib.loads(station.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise SettingsError(f"{station} can't be read: {reason}", hint="gaugepost check says more") from error
    links = told.get("links")
    tables = (
        {key: each for key, each in links.items() if isinstance(each, dict)}
        if isinstance(links, dict)
        else {}
    )
    if name not in tables:
        there = f"its links: {', '.join(tables)}" if tables else f"it has no links: write [links.{name}]"
        raise SettingsError(f"{station} has no link {name!r}", hint=there)
    head = told.get("station")
    return dict(tables[name]), head.get("name") if isinstance(head, dict) else None


def _is_free(station: Path, called: object, name: str) -> None:
    """See that no running service has the link: one gauge has one listener."""
    try:
        at = os.environ.get(ENVIRONMENT)
        service = service_of(argparse.Namespace(station=None if at else station, at=at))
    except SettingsError:  # what is unfinished in the file does not matter here
        service = service_of(argparse.Namespace(station=None, at=None))
    try:
        there = service.get("/v1/station")["station"]
        links = {one["link"] for one in service.get("/v1/links")["links"]}
    except Unreachable:
        return
    except GaugepostError as refused:
        raise SettingsError(
            f"whether the service at {service.at} has the link {name} can't be told: {refused}",
            hint="stop it as long as you teach",
        ) from refused
    if there == called and name in links:
        raise SettingsError(
            f"the service that runs at {service.at} has the link {name}",
            hint="stop it as long as you teach: a gauge has one listener",
        )
