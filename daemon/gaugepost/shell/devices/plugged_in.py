"""Asks each kind of link what is plugged in for it; nothing is opened."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from gaugepost.contract.present import Lists, ListsByRadio
from gaugepost.core.errors import GaugepostError
from gaugepost.edge import plugins


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that is plugged in, or heard by radio."""

    kind: str
    name: str
    place: str
    settings: dict[str, str]
    decoder: dict[str, str]
    refused: str
    remedy: str
    holders: list[str]
    link: str | None
    """The link of the running service that has it."""
    notes: list[str]


def kinds(*, by_radio: bool) -> list[str]:
    """Return the kinds of link that list what there is: those that listen by radio for it, or the others.

    One that can't be used is among the others, so that whoever asks it is told why.
    """
    found = []
    for kind in plugins.installed(plugins.LINKS):
        try:
            adapter: object = plugins.find(plugins.LINKS, kind)
        except GaugepostError:
            adapter = None
        listens = isinstance(adapter, ListsByRadio) and adapter.lists_by_radio
        if listens == by_radio and (adapter is None or isinstance(adapter, Lists)):
            found.append(kind)
    return found


def present(kind: str, links: Mapping[str, str]) -> Iterator[Found]:
    """Yield what is there for a kind of link; `links` are descriptions of the service's connected ones, by name.

    May block, by radio for some seconds.

    Raises:
        SettingsError: there is no such kind, or it can't be used.
        GaugepostError: it can't be told here, with what to do.
    """
    adapter: object = plugins.find(plugins.LINKS, kind)
    if not isinstance(adapter, Lists):
        return
    for one in adapter.present():
        here = re.compile(rf"(?<![\w/]){re.escape(one.place)}(?!\w)")
        yield Found(
            kind=kind,
            name=one.name,
            place=one.place,
            settings=dict(one.settings),
            decoder=dict(one.decoder),
            refused=one.refused,
            remedy=one.remedy,
            holders=list(one.holders),
            link=next((link for link, description in links.items() if here.search(description)), None),
            notes=list(one.notes),
        )
