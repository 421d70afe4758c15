"""Who asks, and under whose name what they command is recorded.

Where a station has people, a person's id stands for that person alone: somebody signed in acts as themselves, and a
program, a broker or anybody else can name no person. Where it has none, who acts is what is said, as on a paper sheet.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from gaugepost.core.access.grants import Scope
from gaugepost.core.access.people import alike
from gaugepost.core.errors import GaugepostError


class NotTheirs(GaugepostError):
    """Somebody commands under a name that is not theirs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asker:
    """Somebody or something that asks for what `scope` allows."""

    scope: Scope
    name: str | None = None
    """A person's id, a token's name or a destination's; None where nobody said."""
    session: str | None = None
    """The number of a person's session, by which it is listed and ended; never what proves it."""
    people: Collection[str] = ()
    """Every person's id, revoked ones too, as `alike` has them; empty where the station has no people."""

    @property
    def signed_in(self) -> bool:
        """Whether it is a person."""
        return self.session is not None

    def operator(self, said: str | None) -> str | None:
        """Return who is recorded for a command that names `said`; None leaves it to what is in hand.

        Raises:
            NotTheirs: it is somebody else's name.
        """
        if not self.people:
            return said
        return self._theirs(said) or self.name

    def in_hand(self, said: str | None) -> str | None:
        """Return who is in hand after somebody said so; None clears.

        Raises:
            NotTheirs: it is somebody else's name.
        """
        return self._theirs(said)

    def _theirs(self, said: str | None) -> str | None:
        if said is None or (self.signed_in and said == self.name):
            return said
        if self.signed_in:
            raise NotTheirs(
                f"{self.name} is signed in, not {said[:80]!r}",
                hint="leave operator out, or have them sign in",
            )
        if alike(said) in self.people:
            raise NotTheirs(
                f"{said[:80]!r} is a person's id, and nobody proved to be them",
                hint="have them sign in; a program leaves operator out and is recorded by its own name",
            )
        return said
