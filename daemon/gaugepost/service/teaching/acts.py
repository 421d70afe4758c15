"""What is done with a lesson of a running station."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from gaugepost.contract import Link
from gaugepost.core.errors import CommandRefused, SettingsError, ValueRefused
from gaugepost.edge.stationfile import LinkPlan
from gaugepost.service.facade import Running
from gaugepost.service.problems import NotHere, unknown
from gaugepost.service.teaching.bodies import LessonAsked, LessonSaid
from gaugepost.service.teaching.documents import brief, whole
from gaugepost.service.views import Document
from gaugepost.shell.lessons.given import Given, known_request
from gaugepost.shell.lessons.lessons import OpenLesson, Wish


async def begin(running: Running, said: LessonSaid) -> Document:
    """Begin a lesson on the link that was named, with what is away for it.

    Raises:
        ValueRefused: no link, or none that can be made, was named.
        NotHere: the station has no such link.
        CommandRefused: the link can't be had now.
    """
    if (said.link is None) == (said.kind is None):
        raise ValueRefused(
            "a lesson is on one link",
            hint="send link with the name of the station's own, or kind and settings",
        )
    wish = _own(running, said.link, said) if said.link is not None else await _other(running, said)
    try:
        lesson = await running.lessons.begin(wish)
    except CommandRefused as refused:
        held = "in use" in refused.finding or "held by" in refused.finding
        own = [plan.name for plan in running.station.links.values() if held and plan.kind == said.kind]
        if not own:
            raise
        by_name = f"the station's own are taught by name: send link, {' or '.join(own)}"
        raise CommandRefused(refused.finding, hint=f"{refused.hint}; {by_name}") from refused
    away = _on(running, wish.link) if wish.link else []
    return {**whole(lesson, 0), "away": away}


def listed(running: Running) -> Document:
    """Return the lessons that go on."""
    return {"lessons": [brief(lesson) for lesson in running.lessons.going]}


async def look(running: Running, id: str, asked: LessonAsked) -> Document:  # noqa: A002 - what it is called
    """Return a lesson with what came beyond a line, as soon as there is news or the wait is over."""
    lesson = lesson_of(running, id)
    if asked.wait and lesson.last <= asked.after:
        await lesson.news(asked.after, asked.wait)
        lesson = lesson_of(running, id)
    return whole(lesson, asked.after)


async def typed(running: Running, id: str, shows: str) -> Document:  # noqa: A002
    """Take what the display shows for what came; the search goes on with it."""
    lesson = _heard(running, id)
    number = await lesson.teaching.typed(shows)
    lesson_of(running, id).search()
    return {"measurement": number, **whole(lesson, lesson.last)}


def drop(running: Running, id: str, number: int) -> Document:  # noqa: A002
    """Take a measurement back; those after it move up."""
    lesson = lesson_of(running, id)
    lesson.teaching.drop(number)
    lesson.search()
    return whole(lesson, lesson.last)


def skip(running: Running, id: str) -> Document:  # noqa: A002
    """Let what came since the last measurement belong to none."""
    lesson = lesson_of(running, id)
    lesson.teaching.skip()
    return whole(lesson, lesson.last)


def silent(running: Running, id: str) -> Document:  # noqa: A002
    """Take it that something was sent and nothing came, while the line is being found out."""
    lesson = lesson_of(running, id)
    if lesson.typing is None:
        raise CommandRefused("its line is not being found out", hint="type what the display shows instead")
    lesson.typing.put_nowait("")
    return whole(lesson, lesson.last)


def never(running: Running, id: str, word: str) -> Document:  # noqa: A002
    """Take it that the gauge can't show something."""
    lesson = lesson_of(running, id)
    lesson.teaching.never(word)
    lesson.search()
    return whole(lesson, lesson.last)


async def ask(running: Running, id: str) -> Document:  # noqa: A002
    """Ask the gauge, to see what it answers."""
    lesson = _heard(running, id)
    before = lesson.last
    await lesson.teaching.ask()
    return whole(lesson, before)


async def outcome(running: Running, id: str) -> Document:  # noqa: A002
    """Return what is known of the gauge once what was typed last is searched.

    Raises:
        Unreachable: the search took too long, or failed.
    """
    lesson = lesson_of(running, id)
    if lesson.searching.document is None and not lesson.searching.going:
        lesson.search()
    await lesson.searching.ended()
    if lesson.searching.problem is not None:
        raise lesson.searching.problem
    lesson = lesson_of(running, id)
    assert lesson.searching.document is not None
    return lesson.searching.document


async def end(running: Running, id: str) -> Document:  # noqa: A002
    """End a lesson; a link that was lent for it is the station's again."""
    lesson = lesson_of(running, id)
    await running.lessons.end(lesson, "it was ended")
    back = f"; {lesson.wish.link} is back" if lesson.wish.link else ""
    return {"accepted": True, "text": f"the lesson is over{back}"}


def lesson_of(running: Running, id: str) -> OpenLesson:  # noqa: A002
    """Return a lesson that goes on. Raises `NotHere`: there is none such any more, with why."""
    lesson = running.lessons.find(id)
    if lesson is not None and not lesson.over:
        return lesson
    if why := (lesson.over if lesson is not None else running.lessons.why_ended(id)):
        raise NotHere(f"that lesson is over: {why}", hint="begin another one: POST /v1/lessons")
    raise unknown("lesson", id, [one.id for one in running.lessons.going])


def _heard(running: Running, id: str) -> OpenLesson:  # noqa: A002
    """Return a lesson whose link is heard. Raises as `lesson_of`, and `CommandRefused` where its line is not known."""
    lesson = lesson_of(running, id)
    if lesson.typing is not None:
        raise CommandRefused(
            "its line is being found out",
            hint=f"measure and send, or POST /v1/lessons/{id}/silent where nothing comes",
        )
    return lesson


def _own(running: Running, link: str, said: LessonSaid) -> Wish:
    plans = running.station.links
    if link not in plans:
        raise unknown("link", link, plans)
    if said.settings:
        raise ValueRefused(
            f"{link} has its settings in the station file",
            hint="leave settings out, or send kind and settings of another link",
        )
    state, plan = running.recorder.state, plans[link]
    for name, entry in state.set_up.gauges.items():
        if entry.link == link and state.gauges[name].procedure is not None:
            raise CommandRefused(
                f"{name} is being mastered or checked", hint="finish or abandon that before its link is lent"
            )
    known = known_request(getattr(plan.decoder_settings, "request", ""))
    return Wish(
        key=link,
        make_link=lambda: plan.link(plan.settings, running.now),
        keep_s=said.keep_s,
        link=link,
        probe=Given(plan.kind, plan.settings.model_dump(exclude_unset=True)) if said.probe else None,
        name=said.name or link,
        request=known if said.request is None else said.request,
        channel=said.channel or "",
    )


async def _other(running: Running, said: LessonSaid) -> Wish:
    assert said.kind is not None
    given = Given(said.kind, said.settings)
    try:
        # A kind that is not in use yet is imported here.
        make_link = await asyncio.to_thread(given.maker)
    except SettingsError as refused:
        raise ValueRefused(refused.finding, hint=refused.hint) from refused
    key = make_link().describe()
    if own := [plan for plan in running.station.links.values() if _described(plan, running) == key]:
        raise CommandRefused(
            f"{key} is the station's own link {own[0].name}", hint=f"send link: {own[0].name} instead"
        )
    return Wish(
        key=key,
        make_link=make_link,
        keep_s=said.keep_s,
        probe=given if said.probe else None,
        given=given,
        name=said.name or "",
        request=said.request or "",
        channel=said.channel or "",
    )


def _described(plan: LinkPlan, running: Running) -> str:
    made: Callable[[], Link] = lambda: plan.link(plan.settings, running.now)  # noqa: E731 - never opened
    return made().describe()


def _on(running: Running, link: str) -> list[str]:
    """Return what of the station is away while a link is lent."""
    set_up = running.recorder.state.set_up
    tables = (set_up.gauges, set_up.thermometers, set_up.scanners, set_up.triggers)
    return [name for table in tables for name, entry in table.items() if entry.link == link]
