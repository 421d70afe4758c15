"""Which link is taught: named with its settings, or as a station file has it."""

from __future__ import annotations

import argparse
import json
import os
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gaugepost.commands.talk import ENVIRONMENT, service_of
from gaugepost.contract.probing import Line
from gaugepost.core.errors import GaugepostError, SettingsError, Unreachable, ValueRefused
from gaugepost.shell.lessons.given import Given, known_request
from gaugepost.teach import read_request


@dataclass(frozen=True, slots=True)
class Chosen:
    """A link, what the gauge on it is asked with, where it has to be asked, and over which channel."""

    given: Given
    request: str = ""
    channel: str = ""

    def with_line(self, line: Line) -> Chosen:
        """Return the same with its line set so."""
        return replace(self, given=self.given.with_line(line))


def chosen(
    name: str, words: Iterable[str], station: Path | None, request: str | None = None, channel: str = ""
) -> Chosen:
    """Return the link that is meant: of kind `name` with settings KEY=VALUE, or called `name` in a station file.

    `request` is written as in a station file; left out, it is the one that the link's decoder has there.

    Raises:
        SettingsError: there is none such, or a running service has it, or the request can't be one.
    """
    given = _settings(words)
    asking = None if request is None else _request(request)
    if station is None:
        return Chosen(Given(name, given), asking or "", channel)
    table, called = _table(station, name)
    _is_free(station, called, name)
    kind, decoder = table.pop("kind", None), table.pop("decoder", None)
    if not isinstance(kind, str):
        raise SettingsError(
            f"{station}: links.{name} says no kind", hint='write kind = "serial_port", or another'
        )
    if asking is None and isinstance(decoder, dict):
        asking = known_request(decoder.get("request"))
    return Chosen(Given(kind, {**table, **given}), asking or "", channel)


def _request(text: str) -> str:
    """Return a request that was written as in a station file, between its quotes."""
    quoted = text.replace('"', '\\"')
    try:
        told: str = tomllib.loads(f'request = "{quoted}"')["request"]
        read_request(told)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"--request {text!r} can't be read: {error}",
            hint="write it as in a station file: --request 'D\\r'",
        ) from error
    except ValueRefused as refused:
        raise SettingsError(f"--request: {refused.finding}", hint=refused.hint) from refused
    return told


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
            hint=f"stop it as long as you teach, or teach through it: POST {service.at}/v1/lessons",
        )
