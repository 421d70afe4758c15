"""A gauge is taught over REST: the daemon as it is, gauges on real ports; what was lent comes back, however it ends."""

from __future__ import annotations

import os
import signal
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.access import Scope
from gaugepost.service.door.scopes import scope_of
from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack

SHOWN = (("12.345 mm", b"+0012.345\r"), ("7.891 mm", b"+0007.891\r"), ("-3.072", b"-0003.072\r"))
PATIENCE_S = 60.0


class Lesson:
    """A lesson as a page holds it."""

    def __init__(self, daemon: Daemon, **said: object) -> None:
        self.daemon = daemon
        self.begun = daemon.post("/lessons", said)
        assert daemon.status == 201, self.begun
        self.path = f"/lessons/{self.begun['lesson']}"
        self.next = self.begun["next"]

    def came(self) -> dict[str, Any]:
        """Return what comes next over the link."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            told = self.daemon.get(f"{self.path}?after={self.next}&wait=20")
            self.next = told["next"]
            for line in told["lines"]:
                if "hex" in line:
                    return dict(line)
        raise AssertionError("nothing came")

    def types(self, shows: str) -> dict[str, Any]:
        """Type what the display shows; return the outcome."""
        told = self.daemon.post(f"{self.path}/measurements", {"shows": shows})
        assert self.daemon.status == 200, told
        return self.outcome()

    def outcome(self) -> dict[str, Any]:
        """Return what is known of the gauge."""
        told = self.daemon.get(f"{self.path}/outcome")
        assert self.daemon.status == 200, told
        return dict(told)

    def end(self) -> None:
        """End it."""
        told = self.daemon.post(self.path, {}, "DELETE")
        assert self.daemon.status == 200, told


def until(what: Callable[[], object]) -> None:
    """Wait until `what` is so."""
    deadline = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def searchers(daemon: Daemon) -> list[int]:
    """Return the processes that search for a daemon."""
    assert daemon.process is not None
    return [
        int(child)
        for child in Path(f"/proc/{daemon.process.pid}/task/{daemon.process.pid}/children")
        .read_text()
        .split()
    ]


@pytest.fixture
def port() -> Iterator[Port]:
    with Port() as port:
        yield port


def test_a_gauge_of_the_station_is_taught_and_read_by_what_was_found(port: Port, tmp_path: Path) -> None:
    """Its link is lent, three values are typed, what is decided is a description by which the station then reads it."""
    with Daemon(tmp_path, station_file([port])) as daemon:
        lesson = Lesson(daemon, link="usb-0", name="bore")
        assert lesson.begun["away"] == ["g0"]
        (link,) = daemon.get("/links")["links"]
        assert (link["state"], "for teaching" in link["problem"]) == ("away", True)
        assert daemon.get("/gauges/g0")["link_state"] == "away"
        daemon.post("/gauges/g0/request", {})
        assert daemon.status == 409
        told: dict[str, Any] = {}
        for number, (shows, frame) in enumerate(SHOWN, 1):
            port.send(frame)
            came = lesson.came()
            assert (came["measurement"], came["hex"]) == (number, frame.hex(" ").upper())
            assert came["text"] == frame.decode().replace("\r", "\\r")
            told = lesson.types(shows)
            assert told["decided"] is (number == 3)
            assert told["next"]
        assert [one["shows"] for one in told["measured"]] == ["12.345 mm", "7.891 mm", "-3.072"]
        assert told["evidence"][0]["number"]
        lesson.end()
        until(lambda: daemon.get("/links")["links"][0]["state"] == "connected")
        port.send(b"38.0141 mm\r\n")
        assert daemon.wait_for(1, kind="reading")[0]["indication"] == "38.0141"
        said = [(one["code"], one["text"]) for one in daemon.records(kind="link")]
        assert [code for code, _ in said] == ["connected", "lost", "connected"]
        assert "lent for teaching" in said[1][1]
    (tmp_path / "bore.toml").write_text(told["description_file"], encoding="utf-8")
    assert tomllib.loads(told["capture_file"])["frame"][2]["shows"] == "-3.072"
    text = station_file([port])
    head, _, rest = text.partition("[links.usb-0.decoder]")
    taught = f'{head}[links.usb-0.decoder]\nfile = "bore.toml"\n[gauges.g0]{rest.partition("[gauges.g0]")[2]}'
    with Daemon(tmp_path, taught) as daemon:
        before = daemon.get("/station")["head"]
        port.send(b"+0038.706\r")
        (reading,) = daemon.wait_for(1, after=before, kind="reading")
        assert reading["value_mm"] == "38.706"


def test_a_gauge_that_is_asked_is_taught_on_a_link_of_its_own(port: Port, tmp_path: Path) -> None:
    """A free link is given by kind and settings; the gauge is asked as a value is typed, and the request described."""
    shown, ended = iter([b"+0001.000\r", *(frame for _, frame in SHOWN)]), threading.Event()
    with Port() as free, Daemon(tmp_path, station_file([port])) as daemon:

        def gauge() -> None:
            for frame in shown:
                assert free.received(2) == b"D\r"
                free.send(frame)
            ended.set()

        answering = threading.Thread(target=gauge)
        answering.start()
        settings = {"device": free.path, "baud": 9600}
        lesson = Lesson(daemon, kind="serial_port", settings=settings, request="D\r")
        assert lesson.begun["request"] == "D\r"
        asked = daemon.post(f"{lesson.path}/request", {})
        assert [line.get("text") for line in asked["lines"]] == ["+0001.000\\r"]
        for shows, _ in SHOWN:
            daemon.post(f"{lesson.path}/measurements", {"shows": shows})
            assert daemon.status == 200
        told = lesson.outcome()
        assert ended.wait(PATIENCE_S)
        answering.join()
        assert told["decided"], told["reason"]
        assert tomllib.loads(told["description_file"])["request"] == "D\r"
        assert told["request"] == "D\r"
        assert daemon.get("/links")["links"][0]["state"] == "connected"


def test_two_clients_hold_one_lesson(port: Port, tmp_path: Path) -> None:
    """A link has one lesson, and who begins another is told which; both teach it, and what came is typed once."""
    with Daemon(tmp_path, station_file([port])) as daemon:
        lesson = Lesson(daemon, link="usb-0")
        refused = daemon.post("/lessons", {"link": "usb-0"})
        assert (daemon.status, lesson.begun["lesson"] in refused["hint"]) == (409, True)
        own = daemon.post("/lessons", {"kind": "serial_port", "settings": {"device": port.path}})
        assert (daemon.status, "usb-0" in own["hint"]) == (409, True)
        taken = daemon.post(
            "/lessons", {"kind": "serial_port", "settings": {"device": port.path, "baud": 4800}}
        )
        assert (daemon.status, "is in use" in taken["detail"], "usb-0" in taken["hint"]) == (409, True, True)
        (listed,) = daemon.get("/lessons")["lessons"]
        assert listed["lesson"] == lesson.begun["lesson"]
        port.send(SHOWN[0][1])
        lesson.came()
        answers: list[int] = []

        def types() -> None:
            other = Daemon(tmp_path, "", address=daemon.address)
            other.post(f"{lesson.path}/measurements", {"shows": SHOWN[0][0]})
            answers.append(other.status)

        both = [threading.Thread(target=types) for _ in range(2)]
        for one in both:
            one.start()
        for one in both:
            one.join()
        assert sorted(answers) == [200, 409]
        told = daemon.post(f"{lesson.path}/measurements/1", {}, "DELETE")
        assert (daemon.status, told["measurements"]) == (200, 0)
        assert lesson.outcome()["decided"] is False
        daemon.post(f"{lesson.path}/never", {"never": "negative"})
        assert lesson.outcome()["never"] == ["a negative value"]
        port.send(b"noise\r")
        lesson.came()
        assert daemon.post(f"{lesson.path}/skip", {})["waiting_bytes"] == 0
        lesson.end()
        over = daemon.get(lesson.path)
        assert (daemon.status, over["detail"]) == (404, "that lesson is over: it was ended")


def test_a_lesson_that_nobody_asks_for_gives_its_link_back(port: Port, tmp_path: Path) -> None:
    """Who closes the page leaves no link away: after the time that was agreed it is the station's again."""
    with Daemon(tmp_path, station_file([port])) as daemon:
        lesson = Lesson(daemon, link="usb-0", keep_s=1)
        until(lambda: daemon.get("/links")["links"][0]["state"] == "connected")
        over = daemon.get(f"{lesson.path}/outcome")
        assert (daemon.status, "nobody asked for it" in over["detail"]) == (404, True)
        port.send(b"38.0141 mm\r\n")
        daemon.wait_for(1, kind="reading")


NONSENSE: tuple[tuple[str, dict[str, Any], int, str], ...] = (
    ("", {}, 422, "a lesson is on one link"),
    ("", {"link": "usb-0", "kind": "serial_port"}, 422, "a lesson is on one link"),
    ("", {"link": "usb-1"}, 404, "no link is named"),
    ("", {"link": "usb-0", "settings": {"baud": 1}}, 422, "its settings in the station file"),
    ("", {"link": "usb-0", "request": "{channel}\r"}, 422, "{channel}"),
    ("", {"link": "usb-0", "request": "\u20ac"}, 422, "no single byte"),
    ("", {"link": "usb-0", "keep_s": 0}, 422, "keep_s"),
    ("", {"link": "usb-0", "keep": 5}, 422, "keep is not known here"),
    ("", {"link": ["usb-0"]}, 422, "link"),
    ("", {"kind": "carrier_pigeon"}, 422, "carrier_pigeon"),
    ("", {"kind": "serial_port", "settings": {"devise": "/dev/null"}}, 422, "devise"),
    ("", {"kind": "serial_port", "settings": {"device": {"a": [1]}}}, 422, "device"),
    ("", {"kind": "serial_port", "settings": {"device": "/dev/no-such-port"}}, 409, "is not there"),
    ("/ID/measurements", {"shows": "twelve"}, 422, "is not what a display shows"),
    ("/ID/measurements", {"shows": "1" * 101}, 422, "shows"),
    ("/ID/measurements", {"shows": 12.3}, 422, "shows"),
    ("/ID/measurements", {}, 422, "shows is missing"),
    ("/ID/measurements", {"shows": "1.000"}, 409, "nothing came from the gauge"),
    ("/ID/never", {"never": "ever"}, 422, "never"),
    ("/ID/request", {}, 409, "nothing is known that would ask this gauge"),
    ("/ID/silent", {}, 409, "its line is not being found out"),
    ("", {"link": "usb-0", "probe": True}, 409, "takes no parity"),
    ("/0123456789abcdef/skip", {}, 404, "no lesson is named"),
)


def test_nonsense_is_refused_with_what_to_send(port: Port, tmp_path: Path) -> None:
    """Whatever is wrong with a request is said with its key, nothing stays lent for it, and the lesson goes on."""
    with Port() as free, Daemon(tmp_path, station_file([port])) as daemon:
        lesson = Lesson(daemon, kind="serial_port", settings={"device": free.path})
        for path, body, status, said in NONSENSE:
            told = daemon.post(f"/lessons{path.replace('/ID', lesson.path.removeprefix('/lessons'))}", body)
            assert daemon.status == status, (path, body, told)
            assert said in told["detail"], (path, body, told)
        for path in ("/measurements/1", "/measurements/x"):
            daemon.post(f"{lesson.path}{path}", {}, "DELETE")
            assert daemon.status == 422
        daemon.get(f"{lesson.path}?after=-1")
        assert daemon.status == 422
        until(lambda: daemon.get("/links")["links"][0]["state"] == "connected")
        assert len(daemon.get("/lessons")["lessons"]) == 1


def test_who_may_look_may_not_teach() -> None:
    """Looking at a lesson takes the scope to look, all else the one to set the station up."""
    assert scope_of("GET", "/v1/lessons/0/outcome") is Scope.READ
    ways = {
        "POST": ("", "/0/measurements", "/0/skip", "/0/never", "/0/request"),
        "DELETE": ("/0", "/0/measurements/1"),
    }
    asked = {scope_of(method, f"/v1/lessons{path}") for method, paths in ways.items() for path in paths}
    assert asked == {Scope.SET_UP}


def test_a_station_file_taken_meanwhile_leaves_the_lesson_its_link(port: Port, tmp_path: Path) -> None:
    """Where the file has the link otherwise by then, the lesson goes on, and the link comes back as the file has it."""
    with Daemon(tmp_path, station_file([port])) as daemon:
        lesson = Lesson(daemon, link="usb-0")
        other = station_file([port]).replace('kind = "serial_port"', 'kind = "serial_port"\nbaud = 4800')
        (tmp_path / "station.toml").write_text(other, encoding="utf-8")
        assert daemon.process is not None
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: "station file taken" in daemon.log())
        port.send(SHOWN[0][1])
        assert lesson.came()["text"] == "+0012.345\\r"
        lesson.end()
        until(lambda: daemon.get("/links")["links"][0]["state"] == "connected")
        assert "4800" in daemon.get("/links")["links"][0]["description"]


def test_a_daemon_killed_in_a_lesson_starts_as_if_there_were_none(port: Port, tmp_path: Path) -> None:
    """After SIGKILL while a search goes on the link is the station's, the lesson is unknown, and no search is left."""
    with Daemon(tmp_path, station_file([port])) as daemon:
        lesson = Lesson(daemon, link="usb-0")
        port.send(SHOWN[0][1])
        lesson.came()
        daemon.post(f"{lesson.path}/measurements", {"shows": SHOWN[0][0]})
        until(lambda: searchers(daemon) or daemon.get(lesson.path)["decided"] is not None)
        left = searchers(daemon)
        daemon.kill()
        daemon.start()
        daemon.get(lesson.path)
        assert daemon.status == 404
        assert daemon.get("/lessons")["lessons"] == []
        port.send(b"38.0141 mm\r\n")
        daemon.wait_for(1, kind="reading")
        until(lambda: not any(Path(f"/proc/{one}").exists() for one in left))


def test_a_search_that_is_killed_is_told_and_costs_no_reading(port: Port, tmp_path: Path) -> None:
    """Where the kernel ends a search, who asks is told, another gauge is recorded all the while, and the next works."""
    with Port() as other, Daemon(tmp_path, station_file([port, other])) as daemon:
        lesson = Lesson(daemon, link="usb-0")
        for shows, frame in SHOWN:
            until(
                lambda: not searchers(daemon)
            )  # each measurement begins another search, and ends the one before
            port.send(frame)
            lesson.came()
            daemon.post(f"{lesson.path}/measurements", {"shows": shows})
        until(lambda: searchers(daemon))
        (searcher,) = searchers(daemon)
        os.kill(searcher, signal.SIGSTOP)
        for value in range(20):
            other.send(f"38.{value:04d} mm\r\n".encode())
        daemon.wait_for(20, kind="reading")
        os.kill(searcher, signal.SIGKILL)
        told = daemon.get(f"{lesson.path}/outcome")
        assert (daemon.status, "the search failed" in told["detail"]) == (503, True)
        daemon.post(f"{lesson.path}/never", {"never": "unit"})
        assert lesson.outcome()["decided"] is True
        assert daemon.stop() == 0
