"""Commands by topic at the real daemon with a real broker: carried out once, or never, and answered either way."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.bench_tools.broker import PATIENCE_S, Broker, Heard, Subscriber, until
from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack

COMMANDS = "gaugepost/test bench/command"
REPLY = "gaugepost/test bench/reply"
VERSIONS = ("5", pytest.param("3.1.1", marks=pytest.mark.attack))


def station(port: Port, broker: Broker, more: str = "") -> str:
    table = f"""
[destinations.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {broker.port}
commands = true
{more}
"""
    return station_file([port], extra=table)


class Person:
    """Somebody who publishes commands with the broker's own program, and reads what is answered."""

    def __init__(self, broker: Broker, subscriber: Subscriber) -> None:
        self._broker, self._subscriber = broker, subscriber

    def publish(self, name: str, body: bytes | dict[str, Any], *options: str) -> None:
        """Publish a command at QoS 1; return when the broker has it."""
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        command = [
            "mosquitto_pub",
            "-h",
            "127.0.0.1",
            "-p",
            str(self._broker.port),
            *("-V", "5", "-q", "1"),
            *options,
        ]
        whole = "-s" if payload else "-n"
        subprocess.run(
            [*command, "-t", f"{COMMANDS}/{name}", whole], input=payload, check=True, timeout=PATIENCE_S
        )

    def answers(self, count: int, at: str = REPLY) -> list[dict[str, Any]]:
        """Return the answers at a topic once there are `count`."""
        until(lambda: len(self._at(at)) >= count, f"answer {count} at {at}")
        return self._at(at)

    def _at(self, topic: str) -> list[dict[str, Any]]:
        return [each.json for each in self._subscriber.heard if each.topic == topic]

    def heard(self) -> list[Heard]:
        """Return all that was published, as JSON, up to now."""
        return [each for each in self._subscriber.settled() if each.payload.startswith(b"{")]

    def ask(self, name: str, body: bytes | dict[str, Any], *options: str) -> dict[str, Any]:
        """Publish a command and return its answer."""
        before = len(self._at(REPLY))
        self.publish(name, body, *options)
        return self.answers(before + 1)[-1]


def taking(daemon: Daemon) -> dict[str, Any]:
    """How the commands stand."""
    listed = daemon.get("/destinations")["destinations"]
    found: dict[str, Any] = next(one for one in listed if one["destination"] == "broker")["takes_commands"]
    return found


def listening(daemon: Daemon) -> None:
    until(lambda: taking(daemon)["state"] == "listening", f"commands can come\n{daemon.log()}")


@contextmanager
def at_work(folder: Path, more: str = "") -> Iterator[tuple[Daemon, Person, Port, Broker]]:
    with (
        Port() as port,
        Broker(folder) as broker,
        Subscriber(broker) as subscriber,
        Daemon(folder, station(port, broker, more)) as daemon,
    ):
        daemon.wait_for(1, kind="link")
        listening(daemon)
        yield daemon, Person(broker, subscriber), port, broker


@pytest.mark.parametrize("version", VERSIONS)
def test_every_command_of_the_bench(tmp_path: Path, version: str) -> None:
    """By topic alone each command leaves the record that REST would have made, and its answer names it."""
    ring = {"gauge": "g0", "masters": ["ring-1"], "serials": ["R-1"]}
    with at_work(tmp_path, f'version = "{version}"') as (daemon, person, port, _):

        def done(name: str, **body: Any) -> dict[str, Any]:
            answer = person.ask(name, {"request": f"r{len(answers)}", **body})
            answers.append(answer)
            assert answer.get("accepted") is True, answer
            return answer

        answers: list[dict[str, Any]] = []
        done("set", operator="M1", lot="L1", piece="1", characteristic="A")
        done("master", **ring)
        port.send(b"38.0014 mm\r\n")
        daemon.wait_for(1, kind="master-reading")
        done("finish", gauge="g0")
        done("check", gauge="g0", master="ring-1", serial="R-1")
        done("abandon", gauge="g0", reason="wrong ring")
        port.send(b"38.0041 mm\r\n")
        port.send(b"38.0042 mm\r\n")
        first, second = daemon.wait_for(2, kind="reading")
        done("amend", record=first["id"], piece="2", reason="called out wrong")
        done("void", record=str(second["sequence"]), reason="chip under a contact", operator="M2")
        done("again", gauge="g0", why="rework", note="reamed")
        done("report", gauge="g0", what="knock")
        made = [daemon.get(f"/records/{each['records'][-1]}") for each in answers]
        assert [each["request"] for each in answers] == [f"r{at}" for at in range(len(answers))]
    assert [each["kind"] for each in made] == [
        "tags",
        "mastering-begun",
        "mastering",
        "check-begun",
        "abandoned",
        "amendment",
        "void",
        "attempt",
        "report",
    ]
    assert {each["operator"] for each in made} == {"M1", "M2"}


def test_answers_are_those_of_rest(tmp_path: Path) -> None:
    """A refusal says by topic word for word what it says over REST, as problem details; a success too."""
    cases: list[tuple[str, dict[str, Any], str, str, dict[str, Any]]] = [
        (
            "master",
            {"gauge": "g9", "masters": ["ring-1"]},
            "POST",
            "/gauges/g9/mastering",
            {"masters": ["ring-1"]},
        ),
        ("check", {"gauge": "g0", "master": "ring-1"}, "POST", "/gauges/g0/check", {"master": "ring-1"}),
        ("report", {"gauge": "g0", "what": "nock"}, "POST", "/gauges/g0/reports", {"what": "nock"}),
        ("abandon", {"gauge": "g0"}, "DELETE", "/gauges/g0/procedure", {}),
        ("request", {"gauge": "g0"}, "POST", "/gauges/g0/request", {}),
        ("set", {}, "PUT", "/tags", {}),
        ("set", {"lot": 7}, "PUT", "/tags", {"lot": 7}),
        ("set", {"Lot": "L1"}, "PUT", "/tags", {"Lot": "L1"}),
        ("void", {"record": "999", "reason": "x"}, "POST", "/records/999/void", {"reason": "x"}),
        ("void", {"record": "1"}, "POST", "/records/1/void", {}),
        ("amend", {"record": "one", "reason": "x"}, "POST", "/records/one/amendment", {"reason": "x"}),
    ]
    with at_work(tmp_path) as (daemon, person, _, _):
        for at, (name, body, method, path, said) in enumerate(cases):
            request = f"case {at}"
            by_topic = person.ask(name, {"request": request, **body})
            over_rest = daemon.post(path, said, method)
            assert over_rest["status"] == daemon.status
            assert by_topic == {"command": name, "request": request, **over_rest}
        assert taking(daemon)["refused"] == len(cases)


def test_what_is_no_command_is_told_what_to_write(tmp_path: Path) -> None:
    """Whatever is published, the answer says what is wrong and what to write; the log shows none of it as it came."""
    cases: list[tuple[str, bytes, int, str]] = [
        ("set", b"", 422, "send one JSON object"),
        ("set", b"lot L1", 422, "send one JSON object"),
        ("set", b"[1]", 422, "send one JSON object"),
        ("set", b'{"request": "\xff"}', 422, "send one JSON object"),
        ("set", b"[" * 60_000, 422, "send one JSON object"),
        ("set", b'{"lot": "L1"}', 422, "send request"),
        ("set", b'{"request": 7, "lot": "L1"}', 422, "send request"),
        ("set", b'{"request": "", "lot": "L1"}', 422, "printable"),
        ("set", b'{"request": "a\\u001b[2J", "lot": "L1"}', 422, "printable"),
        ("set", b'{"request": "a", "\\ud800": 1}', 422, ""),
        ("set", b'{"request": "g", "Lot": "L1"}', 422, "leave it out"),
        ("sett", b'{"request": "b", "lot": "L1"}', 404, "did you mean set?"),
        ("«\u202e", b'{"request": "c"}', 404, "there are: abandon, again"),
        ("check", b'{"request": "d", "master": "ring-1"}', 422, "send gauge"),
        ("check", b'{"request": "e", "gauge": ["g0"], "master": "ring-1"}', 422, "send gauge"),
        ("set", b'{"request": "f", "lot": "' + b"x" * 65_536 + b'"}', 413, "one command at a time"),
    ]
    with at_work(tmp_path) as (daemon, person, _, _):
        for name, body, status, hint in cases:
            answer = person.ask(name, body)
            assert (answer["status"], answer["command"]) == (status, name), answer
            assert answer["detail"]
            assert hint in answer.get("hint", ""), answer
        assert {each["kind"] for each in daemon.records()} == {"start", "set-up", "link"}
        assert "\x1b" not in daemon.log()


def test_a_repeat_is_carried_out_once(tmp_path: Path) -> None:
    """A command that comes again under its request gets the first answer again, and leaves no second record."""
    knock = {"request": "k-1", "gauge": "g0", "what": "knock"}
    with at_work(tmp_path) as (daemon, person, _, _):
        first = person.ask("report", knock)
        assert person.ask("report", knock) == first
        other = person.ask("report", {**knock, "what": "battery"})
        assert (other["status"], other["request"]) == (409, "k-1")
        assert "new request" in other["hint"]
        assert person.ask("report", {**knock, "request": "k-2"})["accepted"] is True
        assert len(list(daemon.records(kind="report"))) == 2


def test_the_asker_gets_the_answer_where_it_asked_for_it(tmp_path: Path) -> None:
    """With MQTT 5 the answer also goes to the Response Topic, with the Correlation Data, as JSON (4.10.1)."""
    data = (
        "no:7"  # where the subscriber looks for properties, as name:value, this one has the correlation data
    )
    form = r"\t%t\t%r\t%q\t%x\t%C\t%E\t%D"
    with at_work(tmp_path) as (_, person, _, broker), Subscriber(broker, "askers/#", "-F", form) as asker:
        options = ["-D", "publish", "response-topic", "askers/7", "-D", "publish", "correlation-data", data]
        answer = person.ask("set", {"request": "a", "lot": "L1"}, *options)
        until(lambda: bool(asker.heard), "the asker hears it")
        (heard,) = asker.heard
    assert (heard.topic, heard.json, heard.qos, heard.retained) == ("askers/7", answer, 1, False)
    assert heard.properties == {"no": "7", "content type": "application/json"}


def test_no_answer_speaks_in_the_stations_name(tmp_path: Path) -> None:
    """A Response Topic that is the station's own, or the broker's, is not used: the reply topic is enough."""
    own = [
        "gaugepost/test bench/status",
        "gaugepost/test bench/g0/reading",
        f"{COMMANDS}/void",
        REPLY,
        "$SYS/x",
    ]
    with at_work(tmp_path) as (daemon, person, _, _):
        for at, topic in enumerate(own):
            options = ("-D", "publish", "response-topic", topic)
            assert person.ask("set", {"request": f"r{at}", "lot": f"L{at}"}, *options)["accepted"] is True
        assert len(person.answers(len(own))) == len(own)
        assert taking(daemon)["accepted"] == len(own)
        assert taking(daemon)["refused"] == 0
        answers = [each.topic for each in person.heard() if "accepted" in each.json]
        assert answers == [REPLY] * len(own)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_nothing_old_is_carried_out(tmp_path: Path, version: str) -> None:
    """What was published before the station listened is not carried out: retained it is refused, aloud.

    That holds at a start, and when the broker was away.
    """
    old = {"request": "old", "lot": "L-old"}
    with Port() as port, Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        person = Person(broker, subscriber)
        daemon = Daemon(tmp_path, station(port, broker, f'version = "{version}"'))
        with daemon:
            listening(daemon)
            assert person.ask("set", {"request": "first", "lot": "L1"})["accepted"] is True
        person.publish("set", {**old, "request": "while away"})
        person.publish("set", old, "-r")
        with daemon:
            listening(daemon)
            (_, refused) = person.answers(2)
            assert (refused["status"], refused["request"]) == (409, "old")
            assert "retain" in refused["hint"]
            assert "a retained command is not carried out" in daemon.log()
            broker.kill()
            until(lambda: taking(daemon)["state"] == "unreachable", "the broker is missed")
            assert f"127.0.0.1:{broker.port}" in taking(daemon)["last_error"]
            broker.start()
            listening(daemon)
            until(lambda: subscriber.subscriptions == 2, "the subscriber is back")
            assert person.ask("set", {"request": "new", "lot": "L2"})["accepted"] is True
            assert [each["lot"] for each in daemon.records(kind="tags")] == ["L1", "L2"]


def test_a_broker_that_lets_nobody_subscribe_is_told(tmp_path: Path) -> None:
    """Where the broker's rights keep commands from the station, its status says so, and readings go out."""
    # The broker's own plug-in: its plain list of rights takes every subscription and then passes nothing on.
    (plugin,) = Path("/usr/lib").glob("*/mosquitto_dynamic_security.so")
    rights = tmp_path / "rights.json"
    access = {
        "publishClientSend": True,
        "publishClientReceive": True,
        "subscribe": False,
        "unsubscribe": True,
    }
    rights.write_text(json.dumps({"defaultACLAccess": access, "clients": [], "groups": [], "roles": []}))
    lines = ("allow_anonymous true", f"plugin {plugin}", f"plugin_opt_config_file {rights}")
    with Port() as port, Broker(tmp_path, lines) as broker, Daemon(tmp_path, station(port, broker)) as daemon:
        until(lambda: taking(daemon)["state"] == "unreachable", "it is told")
        assert f"does not let this station subscribe to {COMMANDS}/+: 0x" in taking(daemon)["last_error"]
        assert "have the broker allow" in taking(daemon)["last_error"]
        command = [sys.executable, "-m", "gaugepost", "deliveries", "--at", daemon.address]
        shown = subprocess.run(command, capture_output=True, text=True, check=False).stdout
        assert "takes no commands now, unreachable: " in shown
        port.send(b"38.0041 mm\r\n")
        daemon.wait_for(1, kind="reading")
        listed = daemon.get("/destinations")["destinations"]
        one = next(each for each in listed if each["destination"] == "broker")
        assert one["state"] != "unreachable"


def test_a_flood_of_commands_delays_nobody(tmp_path: Path) -> None:
    """Of thousands at once some wait and are carried out, the rest is refused; every reading is taken and delivered."""
    flood = b"\n".join(b'{"request": "f%d", "piece": "%d"}' % (at, at) for at in range(3000))
    with at_work(tmp_path) as (daemon, person, port, broker):
        command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-l", "-t", f"{COMMANDS}/set"]
        publisher = subprocess.Popen(command, stdin=subprocess.PIPE)
        assert publisher.stdin is not None
        publisher.stdin.write(flood)
        publisher.stdin.close()
        port.send("".join(f"38.{at:04} mm\r\n" for at in range(200)).encode())
        readings = daemon.wait_for(200, kind="reading")
        assert publisher.wait(PATIENCE_S) == 0

        def behind() -> int:
            listed = daemon.get("/destinations")["destinations"]
            lag: int = next(one for one in listed if one["destination"] == "broker")["lag"]
            return lag

        until(lambda: behind() == 0, "everything is delivered")
        answer = person.answers(200)
        busy = [each for each in answer if each.get("status") == 503]
        assert busy
        assert busy[0]["hint"] == "send it again later"
        assert busy[0]["request"].startswith("f")

        def room_again() -> bool:
            person.publish("set", {"request": "last", "piece": "last"})
            return any(each.get("request") == "last" and "accepted" in each for each in person.answers(0))

        until(room_again, "one more command is carried out")
        pieces = [each["piece"] for each in daemon.records(kind="tags")]
    carried_out = [each["request"] for each in answer if "accepted" in each]
    assert len(readings) == 200
    assert {f"f{piece}" for piece in pieces} >= set(carried_out)
    assert len(set(pieces)) == len(pieces)


@pytest.mark.parametrize("version", VERSIONS)
def test_an_answer_that_the_broker_does_not_take(tmp_path: Path, version: str) -> None:
    """Where the station may not publish its answers, commands are carried out all the same, and the log says why."""
    rights = tmp_path / "rights"
    rights.write_text(f"topic readwrite {COMMANDS}/#\ntopic readwrite gaugepost/+/status\n")
    lines = ("allow_anonymous true", f"acl_file {rights}")
    with (
        Port() as port,
        Broker(tmp_path, lines) as broker,
        Subscriber(broker) as subscriber,
        Daemon(tmp_path, station(port, broker, f'version = "{version}"')) as daemon,
    ):
        listening(daemon)
        for lot in ("L1", "L2"):
            Person(broker, subscriber).publish("set", {"request": lot, "lot": lot})
        made = daemon.wait_for(2, kind="tags")
        assert [each["lot"] for each in made] == ["L1", "L2"]
        if version == "5":  # version 3 has no way to say it
            until(lambda: "the broker does not take their answers" in daemon.log(), "it is told")
            assert "0x87 not authorized" in daemon.log()


def test_off_by_default(tmp_path: Path) -> None:
    """Without `commands = true` nothing is subscribed to, and nothing that is published is carried out or answered."""
    with Port() as port, Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        text = station(port, broker).replace("commands = true", "")
        with Daemon(tmp_path, text) as daemon:
            until(lambda: any(each.topic.endswith("status") for each in subscriber.heard), "it is connected")
            Person(broker, subscriber).publish("set", {"request": "a", "lot": "L1"})
            heard = subscriber.settled()
            assert taking(daemon) is None
            assert list(daemon.records(kind="tags")) == []
            assert REPLY not in {each.topic for each in heard}
