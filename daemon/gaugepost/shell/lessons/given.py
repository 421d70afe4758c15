"""A link that a lesson is given by its kind and settings, as a station file would have them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from pydantic import ValidationError

from gaugepost.contract import Link
from gaugepost.contract.probing import Line
from gaugepost.contract.teaching import HandsOnAll
from gaugepost.core.errors import SettingsError
from gaugepost.edge.clock import Clock
from gaugepost.edge.plugins import LINKS, find


@dataclass(frozen=True, slots=True)
class Given:
    """A kind of link, and what was said of its settings."""

    kind: str
    settings: Mapping[str, object]

    def with_line(self, line: Line) -> Given:
        """Return the same with its line set so."""
        return Given(
            self.kind, {**self.settings, "baud": line.baud, "bits": line.bits, "parity": line.parity}
        )

    def whole(self) -> Mapping[str, object]:
        """Return its settings with those by which it hands on all that comes, where nothing says otherwise.

        Raises:
            SettingsError: there is no such kind of link.
        """
        offered: object = find(LINKS, self.kind)
        every = offered.everything if isinstance(offered, HandsOnAll) else {}
        return {**every, **self.settings}

    def maker(self) -> Callable[[], Link]:
        """Return what makes the link; where nothing says where its values are, it hands on all that comes.

        Raises:
            SettingsError: it can't be made so.
        """
        link = find(LINKS, self.kind)
        try:
            settings = link.Settings.model_validate(self.whole())
        except ValidationError as error:
            told = "; ".join(_said(".".join(map(str, each["loc"])), each["msg"]) for each in error.errors())
            raise SettingsError(
                f"{self.kind} can't be opened so: {told}", hint="write the keys that [links.NAME] has"
            ) from error
        clock = Clock()
        return lambda: link(settings, clock)


def _said(key: str, message: str) -> str:
    message = message.removeprefix("Value error, ")
    return f"{key}: {message}" if key else message


def known_request(told: object) -> str:
    """Return the request of a decoder's settings, where a lesson can ask with it; else empty."""
    return told if isinstance(told, str) and "{channel}" not in told else ""
