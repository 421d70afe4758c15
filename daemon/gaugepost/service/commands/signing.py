"""Under whose name a command is recorded: whoever asks is who acts, where the station has people."""

from __future__ import annotations

from typing import TypeVar

from fastapi import Request

from gaugepost.core.access import Asker
from gaugepost.service.commands.bodies import Said, TagsSaid

Body = TypeVar("Body", bound=Said)


def signed(request: Request, said: Body) -> Body:
    """Return `said` with the operator that is to be recorded. Raises `NotTheirs` where it names somebody else."""
    return signed_by(request.state.asker, said)


def signed_by(asker: Asker, said: Body) -> Body:
    """Return the same for whoever asks by another way than REST."""
    if isinstance(said, TagsSaid):
        asker.in_hand(said.operator)
        return said
    named = getattr(said, "operator", None)
    operator = asker.operator(named)
    return said if operator == named else said.model_copy(update={"operator": operator})
