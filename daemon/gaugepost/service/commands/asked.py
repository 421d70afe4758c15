"""Commands that come by other ways than REST, with the same words, checks and answers, and each carried out once.

What stands in a route's address over REST stands in the body here: the gauge, or the record. Every command brings a
`request`, a text of whoever asks that is new for each: one that comes again, because something on the way repeats what
it is unsure of, gets the first one's answer and is not carried out again.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import structlog
from pydantic import Field, TypeAdapter, ValidationError

from gaugepost.contract import MOST_COMMAND_BYTES, problem_details, read_command
from gaugepost.core.access import Asker, Scope
from gaugepost.core.errors import GaugepostError, ValueRefused
from gaugepost.edge.access import PeopleFile
from gaugepost.service.commands import acts, bodies
from gaugepost.service.commands.signing import signed_by
from gaugepost.service.facade import Running
from gaugepost.service.problems import details, findings, unknown
from gaugepost.service.views import Document

MOST_REMEMBERED = 1000
"""Requests whose answers are remembered, the latest; the memory ends with the service."""

_REQUEST: TypeAdapter[str] = TypeAdapter(Annotated[bodies.Text, Field(strict=True, max_length=64)])
_NAME: TypeAdapter[str] = TypeAdapter(Annotated[bodies.Text, Field(strict=True)])

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Way:
    """What a command is about, what is sent with it, and what carries it out."""

    about: Literal["gauge", "record"] | None
    body: type[bodies.Said]
    act: Callable[[Running, str, Any], Awaitable[Document]]


async def _set(running: Running, _: str, said: bodies.TagsSaid) -> Document:
    return await acts.set_tags(running, said)


COMMANDS: Mapping[str, Way] = {
    "master": Way("gauge", bodies.MasteringSaid, acts.master),
    "check": Way("gauge", bodies.CheckSaid, acts.check),
    "abandon": Way("gauge", bodies.AbandonSaid, acts.abandon),
    "finish": Way("gauge", bodies.FinishSaid, acts.finish),
    "request": Way("gauge", bodies.RequestSaid, acts.request),
    "again": Way("gauge", bodies.AttemptSaid, acts.again),
    "report": Way("gauge", bodies.ReportSaid, acts.report),
    "suspect": Way("gauge", bodies.SuspectSaid, acts.suspect),
    "lift": Way("record", bodies.SuspectSaid, acts.lift),
    "set": Way(None, bodies.TagsSaid, _set),
    "void": Way("record", bodies.VoidSaid, acts.void),
    "amend": Way("record", bodies.AmendSaid, acts.amend),
}
"""Commands by their names, which are those of `gaugepost bench`."""


class Commands:
    """Carries out commands, each request once, one at a time."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self._people = PeopleFile(running.station.data)
        self._answered: OrderedDict[str, tuple[bytes, Document]] = OrderedDict()
        self._turn = asyncio.Lock()

    async def carry_out(self, name: str, body: bytes, *, by: str) -> Document:
        """Return the answer to the command `name` once what it says is on disk: as over REST, a refusal too.

        `by` is the destination that it came by: where the station has people, that is who commands.

        It names the command and, where one was sent, the request.
        """
        told: Document = {"command": name[:80]}
        if len(body) > MOST_COMMAND_BYTES:
            finding = f"the command is longer than {MOST_COMMAND_BYTES} bytes"
            return told | problem_details(
                413, finding, "send one command at a time, and notes as short as people read"
            )
        try:
            said = read_command(body)
            request = _told(_REQUEST, said, "request", "a text of your own, new for every command")
        except GaugepostError as error:
            return told | details(error)
        told["request"] = request
        digest = hashlib.sha256(f"{name}\0".encode() + body).digest()
        async with self._turn:
            known = self._answered.get(request)
            if known is None:
                answer = told | await self._answer(name, said, by)
                if answer.get("status", 0) not in range(500, 600):  # nothing was done: it can be said again
                    self._remember(request, digest, answer)
                return answer
        if known[0] != digest:
            return told | problem_details(409, "this request was for another command", "send a new request")
        return known[1]

    async def _answer(self, name: str, said: dict[str, object], by: str) -> Document:
        way = COMMANDS.get(name)
        if way is None:
            return details(unknown("command", name, COMMANDS))
        try:
            about = _told(_NAME, said, way.about, f"the {way.about}'s name or id") if way.about else ""
            rest = {key: value for key, value in said.items() if key not in ("request", way.about)}
            asker = Asker(scope=Scope.OPERATE, name=by, people=self._people.ids())
            return await way.act(self._running, about, signed_by(asker, way.body.model_validate(rest)))
        except ValidationError as error:
            return problem_details(422, *findings(error.errors()))
        except GaugepostError as error:
            return details(error)
        except Exception:
            log.exception("a command failed")
            return problem_details(500, "the service failed over this command", "see the service's log")

    def _remember(self, request: str, digest: bytes, answer: Document) -> None:
        self._answered[request] = digest, answer
        if len(self._answered) > MOST_REMEMBERED:
            self._answered.popitem(last=False)


def _told(text: TypeAdapter[str], said: Mapping[str, object], key: str, what: str) -> str:
    """Return the text at `key`. Raises `ValueRefused` where there is none, or none that can be taken."""
    if key not in said:
        raise ValueRefused(f"{key} is missing", hint=f"send {key}, {what}")
    try:
        return text.validate_python(said[key])
    except ValidationError as error:
        finding, hint = findings([{**detail, "loc": (key,)} for detail in error.errors()])
        raise ValueRefused(finding, hint=hint or f"send {key}, {what}") from error
