"""Lessons of a service: bounded in number, time, memory and search, and a link that was lent always comes back."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Chunk, Moment
from gaugepost.contract.probing import Line
from gaugepost.core.errors import CommandRefused, Unreachable
from gaugepost.shell.lessons import searching
from gaugepost.shell.lessons.arriving import Came
from gaugepost.shell.lessons.given import Given
from gaugepost.shell.lessons.lessons import MOST_BYTES_SHOWN, MOST_LESSONS, MOST_LINES_SHOWN, Lessons, Wish
from gaugepost.shell.lessons.searching import Searching
from gaugepost.teach import Lesson, read_typed
from tests.bench_tools.daemon import Port
from tests.cli.test_teach_probing import Bench, Modelled

pytestmark = pytest.mark.asyncio
PATIENCE_S = 60.0


class Station:
    """Whose links are lent."""

    def __init__(self) -> None:
        self.away: list[str] = []

    async def lend(self, link: str, why: str) -> None:
        assert "for teaching" in why
        self.away.append(link)

    def take_back(self, link: str) -> None:
        self.away.remove(link)


def wish(path: str, name: str) -> Wish:
    """A lesson on the station's own link `name`, which is the port at `path`."""
    return Wish(name, Given("serial_port", {"device": path}).maker(), 600.0, link=name)


@asynccontextmanager
async def at_work(station: Station) -> AsyncIterator[Lessons]:
    """Lessons as a service keeps them."""
    lessons = Lessons(station.lend, station.take_back)
    working = asyncio.create_task(lessons.run())
    await asyncio.sleep(0)
    try:
        yield lessons
    finally:
        working.cancel()
        with suppress(asyncio.CancelledError):
            await working


async def test_a_link_that_can_not_be_connected_is_back_at_once() -> None:
    """Where a lesson can't begin its link is the station's again, and another lesson may begin on it."""
    station = Station()
    async with at_work(station) as lessons:
        for _ in range(2):
            with pytest.raises(CommandRefused, match="is not there"):
                await lessons.begin(wish("/dev/no-such-port", "bore"))
        assert (station.away, lessons.going) == ([], ())


async def test_there_are_never_more_lessons_than_fit_and_every_end_gives_back() -> None:
    """One lesson too many is refused with those that go on; ended twice at once, each link comes back once."""
    station, ports = Station(), [Port() for _ in range(MOST_LESSONS + 1)]
    try:
        async with at_work(station) as lessons:
            begun = [await lessons.begin(wish(port.path, f"l{at}")) for at, port in enumerate(ports[:-1])]
            with pytest.raises(CommandRefused, match="4 lessons are going on") as refused:
                await lessons.begin(wish(ports[-1].path, "last"))
            assert begun[2].id in refused.value.hint
            await asyncio.gather(*(lessons.end(begun[0], "it was ended") for _ in range(3)))
            assert sorted(station.away) == ["l1", "l2", "l3"]
            assert (lessons.find(begun[0].id), lessons.why_ended(begun[0].id)) == (None, "it was ended")
            await lessons.begin(wish(ports[0].path, "l0"))
        assert lessons.going == ()
    finally:
        for port in ports:
            port.close()


async def test_who_waits_for_news_keeps_a_lesson_and_hears_of_its_end() -> None:
    """A lesson's time does not run while somebody waits for what comes, and whoever waits when it ends is answered."""
    with Port() as port:
        async with at_work(Station()) as lessons:
            lesson = await lessons.begin(wish(port.path, "bore"))
            waiting = asyncio.create_task(lesson.news(lesson.last, PATIENCE_S))
            await asyncio.sleep(0.01)
            assert lesson.left_s == lesson.wish.keep_s
            await lessons.end(lesson, "it was ended")
            await waiting
            assert lesson.left_s < lesson.wish.keep_s


async def test_a_line_is_found_out_first_where_that_is_wanted() -> None:
    """Listened to under every setting while somebody measures, the link is then heard with what was found."""
    bench = Bench(Line(4800))
    with Port() as port:
        async with at_work(Station()) as lessons:
            plain = wish(port.path, "bore")
            make: Callable[[], Any] = lambda: Modelled(bench)  # noqa: E731 - made by no settings, as links are
            lesson = await lessons.begin(
                replace(plain, make_link=make, probe=Given("serial_port", {"device": port.path}))
            )
            async with asyncio.timeout(PATIENCE_S):
                while lesson.teaching.description == "":
                    await lesson.news(lesson.last, PATIENCE_S)
            assert lesson.line == Line(4800)
            assert (bench.open, lesson.typing) == (0, None)
            assert "at 4800" in lesson.teaching.description
            said = [line.said for line in lesson.lines(0)]
            assert any("2. listening at 4800 baud" in text for text in said)
            assert f"found: {Line(4800)}" in said


async def test_what_is_shown_is_bounded() -> None:
    """Of a gauge that never pauses only the last is shown, whoever asks for it and however late."""
    with Port() as port:
        async with at_work(Station()) as lessons:
            lesson = await lessons.begin(wish(port.path, "bore"))
            for number in range(3 * MOST_LINES_SHOWN):
                lesson._came(Came(1, b"%05d\r" % number * 16, "", 0, packet=False))
            lines = lesson.lines(0)
            assert lines[-1].number == lesson.last == 3 * MOST_LINES_SHOWN + 1
            assert len(lines) <= MOST_LINES_SHOWN
            assert sum(len(line.came.data) for line in lines if line.came) <= MOST_BYTES_SHOWN


def taught(*shown: str) -> Lesson:
    """A lesson with a plain text gauge."""
    lesson = Lesson()
    for number, shows in enumerate(shown):
        lesson.hear(Chunk(f"{shows}\r".encode(), Moment(0, number * 9000, "")))
        lesson.show(read_typed(shows))
    return lesson


def children() -> str:
    """This process's own children."""
    return Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii")


async def test_the_search_that_counts_is_of_what_was_typed_last() -> None:
    """A search that another one follows is ended, not waited for; closed, none is left running."""
    told: list[None] = []
    search = Searching(asyncio.Lock(), lambda: told.append(None))
    search.begin(taught("12.345"), "")
    await asyncio.sleep(0.1)
    search.begin(taught("12.345", "7.891", "-3.072"), "bore")
    async with asyncio.timeout(PATIENCE_S):
        await search.ended()
    assert search.document is not None
    assert len(search.document["measured"]) == 3
    assert search.document["decided"]
    assert 'what = "Gauge bore."' in search.document["capture_file"]
    assert len(told) == 1
    search.begin(taught("12.345"), "")
    await asyncio.sleep(0.1)
    await search.close()
    assert (search.going, children().split()) == (False, [])


async def test_a_search_that_takes_too_long_is_ended_and_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """However long a search would take, it has an end, and whoever asks is told what to do."""
    monkeypatch.setattr(searching, "SEARCH_S", 0.01)
    search = Searching(asyncio.Lock(), lambda: None)
    search.begin(taught("12.345"), "")
    async with asyncio.timeout(PATIENCE_S):
        await search.ended()
    assert isinstance(search.problem, Unreachable)
    assert "did not end within" in search.problem.finding
    assert children().split() == []
