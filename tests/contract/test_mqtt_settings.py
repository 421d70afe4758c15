"""What a station file may say about an MQTT broker: mistakes are found offline, and no secret is shown."""

from __future__ import annotations

import re
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from structlog.testing import capture_logs

from gaugepost.contract import Unreachable
from gaugepost_adapters.destinations.mqtt.opening import password
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings
from tests.bench_tools.daemon import Port, station_file

SECRET = "t0p-s3cret"
TLS = {"host": "broker.example", "tls": True}

WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "an address of the web": ({"host": "mqtt://broker.example"}, "its name or address only"),
    "a port in the host": ({"host": "broker.example:8883"}, "its name or address only"),
    "a login in the host": ({"host": f"me:{SECRET}@broker.example"}, "its name or address only"),
    "a name that can't be looked up": ({"host": "broker..example"}, "its name or address only"),
    "no host": ({"host": ""}, "its name or address only"),
    "no such port": ({"port": 70_000}, "less than or equal to 65535"),
    "no such version": ({"version": "4"}, "'5' or '3.1.1'"),
    "a line end in the client id": ({"client_id": "a\nb"}, "control character"),
    "a password for a variable": ({"username": "u", "password_env": f"{SECRET}!"}, "name of an environment"),
    "a password in the file": ({"username": "u", "password": SECRET}, "password"),
    "two passwords": ({"username": "u", "password_env": "A", "password_file": "b"}, "named twice"),
    "nobody's password": ({"password_file": "b"}, "username too"),
    "plain": ({"tls": False}, "allow_plain_mqtt = true"),
    "plain to an address": ({"host": "192.168.1.4", "tls": False}, "allow_plain_mqtt = true"),
    "certificates without TLS": ({"host": "localhost", "tls": False, "ca_file": "ca.pem"}, "tls = true"),
    "a key alone": ({"client_key_file": "key.pem"}, "client_certificate_file"),
    "one topic for both": ({"topic": "a", "status_topic": "a"}, "another status_topic"),
    "a record's name in the status topic": ({"status_topic": "a/{gauge}"}, "write station"),
    "a wildcard": ({"topic": "a/+"}, "wildcard"),
    "expiry with 3.1.1": ({"version": "3.1.1", "expiry_s": 60}, 'version = "5"'),
    "no time to connect": ({"connect_timeout_s": 0}, "greater than 0"),
    "no time to answer": ({"ack_timeout_s": 0}, "greater than 0"),
    "none at a time": ({"max_in_flight": 0}, "greater than or equal to 1"),
    "a command topic alone": ({"command_topic": "a/b"}, "commands = true"),
    "a placeholder in the command topic": ({"commands": True, "command_topic": "a/{gauge}"}, "write station"),
    "answers among commands": (
        {"commands": True, "reply_topic": "gaugepost/{station}/command/r"},
        "another reply_",
    ),
    "records among commands": ({"commands": True, "topic": "gaugepost/{station}/command"}, "another topic"),
    "status among answers": (
        {"commands": True, "reply_topic": "gaugepost/{station}/status"},
        "another reply_",
    ),
    "an unknown key": ({"qos": 2}, "qos"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_wrong_settings_say_what_to_write(wrong: str) -> None:
    """Each is found without a broker, and what was written for a secret is not repeated by us."""
    given, said = WRONG[wrong]
    with pytest.raises(ValidationError) as error:
        MqttSettings(**{**TLS, **given})
    (finding,) = error.value.errors()
    assert said in finding["msg"] or said in str(finding["loc"])
    assert SECRET not in finding["msg"]


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "::1"])
def test_this_computer_needs_no_tls(host: str) -> None:
    """A broker on the same computer can be reached as it is."""
    assert MqttSettings(host=host).port_used == 1883


LOCAL: dict[str, Any] = {"host": "localhost"}
LOGIN: dict[str, Any] = {"username": "u", "password_env": "A"}
CAUTIONS: dict[str, tuple[dict[str, Any], list[tuple[str, str]]]] = {
    "as it comes": (TLS, []),
    "retained by gauge and kind": ({**TLS, "retain": True}, []),
    "retained, all in one": (
        {**TLS, "retain": True, "topic": "a"},
        [("retain", "write {gauge} and {kind} into")],
    ),
    "retained without the gauge": (
        {**TLS, "retain": True, "topic": "{kind}"},
        [("retain", "write {gauge} into")],
    ),
    "commands, well kept": ({**TLS, **LOGIN, "commands": True}, []),
    "commands, by certificate": ({**TLS, "client_certificate_file": "a", "commands": True}, []),
    "commands from anybody": ({**LOCAL, "commands": True}, [("commands", "write username")]),
    "commands in the open": (
        {"host": "broker.example", "allow_plain_mqtt": True, **LOGIN, "commands": True},
        [("commands", "write tls = true")],
    ),
}


@pytest.mark.parametrize("case", CAUTIONS)
def test_what_is_risky_is_said(case: str) -> None:
    """Settings that lose retained records, or let strangers command, come with what to write instead."""
    given, wanted = CAUTIONS[case]
    found = [*MqttSettings(**given).cautions()]
    assert [caution.key for caution in found] == [key for key, _ in wanted]
    for caution, (_, write) in zip(found, wanted, strict=True):
        assert caution.write.startswith(write)
        assert caution.finding


def test_commands_are_off_unless_switched_on() -> None:
    """Nobody commands a station by topic because of a default."""
    assert MqttSettings(**TLS).commands is False
    assert [*MqttSettings(**TLS).come_to("bench 1")] == []


def test_ports_and_names_of_brokers() -> None:
    """The usual port comes with the kind of connection, and messages name both."""
    assert MqttSettings(**TLS).where == "broker.example:8883"
    assert MqttSettings(host="::1", port=18830).where == "[::1]:18830"


def test_the_client_id_is_lasting_and_one_of_a_kind() -> None:
    """The same station and topics give the same id; another station or another destination gives another."""
    one = MqttSettings(**TLS)
    other = MqttSettings(**TLS, topic="checks/{station}/{kind}")
    assert one.client_id_at("Prüfplatz 1") == MqttSettings(**TLS).client_id_at("Prüfplatz 1")
    made = {one.client_id_at("bench 1"), other.client_id_at("bench 1"), one.client_id_at("bench-1")}
    assert len(made) == 3
    assert all(re.fullmatch(r"gaugepost-bench-1-[0-9a-f]{8}", each) for each in made)
    assert MqttSettings(**TLS, client_id="b1").client_id_at("bench 1") == "b1"


def test_the_check_command_reads_it(tmp_path: Path) -> None:
    """`gaugepost check` finds the line of a mistake in the destination's table, and passes a right one."""
    with Port() as port:
        found = {}
        for host in ("localhost", "broker.example"):
            extra = f'[destinations.broker]\nkind = "mqtt"\nhost = "{host}"\n'
            (tmp_path / "station.toml").write_text(station_file([port], extra=extra))
            found[host] = subprocess.run(
                [sys.executable, "-m", "gaugepost", "check", str(tmp_path / "station.toml")],
                capture_output=True,
                text=True,
                check=False,
            )
    assert found["localhost"].returncode == 0, found["localhost"].stdout + found["localhost"].stderr
    assert found["broker.example"].returncode != 0
    said = found["broker.example"].stdout + found["broker.example"].stderr
    assert "allow_plain_mqtt = true" in " ".join(said.split())


def test_the_check_command_says_who_may_command(tmp_path: Path) -> None:
    """`gaugepost check` tells where commands come and warns, at its line, where anybody could send them."""
    extra = '[destinations.broker]\nkind = "mqtt"\nhost = "localhost"\ncommands = true\n'
    file = tmp_path / "station.toml"
    with Port() as port:
        file.write_text(station_file([port], extra=extra))
    command = [sys.executable, "-m", "gaugepost", "check", str(file)]
    found = subprocess.run(command, capture_output=True, text=True, check=False)
    line = file.read_text().splitlines().index("commands = true") + 1
    assert found.returncode == 0, found.stdout + found.stderr
    assert f"{file}:{line}: warning: destinations.broker.commands: " in found.stdout
    assert "write username and password_file" in found.stdout
    assert "takes commands at gaugepost/test bench/command/NAME" in found.stdout
    assert "answers at gaugepost/test bench/reply" in found.stdout


def _secret(folder: Path, content: bytes, mode: int = 0o600) -> str | None:
    path = folder / "broker-password"
    path.write_bytes(content)
    path.chmod(mode)
    return password(MqttSettings(**TLS, username="bench", password_file="broker-password"), folder)


@pytest.mark.parametrize("content", [b"s3 cret", b"s3 cret\n", b"s3 cret\r\n"])
def test_a_password_file_may_end_its_line(tmp_path: Path, content: bytes) -> None:
    """What an editor puts at a file's end is no part of the password, spaces inside it are."""
    assert _secret(tmp_path, content) == "s3 cret"


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "is empty"), (b"\n", "is empty"), (b"\xff", "is not UTF-8"), (b"x" * 70_000, "too long")],
)
def test_a_file_that_holds_no_password_is_unreachable(tmp_path: Path, content: bytes, said: str) -> None:
    """It is said which file, and nothing of what is in it."""
    with pytest.raises(Unreachable, match=said) as error:
        _secret(tmp_path, content)
    assert "broker-password" in str(error.value)
    assert "xxx" not in str(error.value)


def test_a_missing_file_or_variable_is_unreachable(tmp_path: Path) -> None:
    """It may come later: the records are kept and the person is told what to do."""
    with pytest.raises(Unreachable, match=r"nowhere.*put the file there"):
        password(MqttSettings(**TLS, username="bench", password_file="nowhere"), tmp_path)
    with pytest.raises(Unreachable, match=r"GAUGEPOST_NO_SUCH is not set"):
        password(MqttSettings(**TLS, username="bench", password_env="GAUGEPOST_NO_SUCH"), tmp_path)


def test_a_password_of_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The variable's content is the password."""
    monkeypatch.setenv("GAUGEPOST_BROKER", "s3cret")
    assert (
        password(MqttSettings(**TLS, username="bench", password_env="GAUGEPOST_BROKER"), tmp_path) == "s3cret"
    )
    assert password(MqttSettings(**TLS, username="bench"), tmp_path) is None


def test_a_password_that_everybody_can_read_is_warned_about(tmp_path: Path) -> None:
    """The log says so, and how to put it right; a file that only its owner can read is nothing to talk about."""
    with capture_logs() as logs:
        _secret(tmp_path, b"s3cret", mode=stat.S_IRUSR | stat.S_IROTH)
        _secret(tmp_path, b"s3cret", mode=0o640)
    (warning,) = logs
    assert warning["log_level"] == "warning"
    assert warning["write"] == f"chmod o-r {tmp_path / 'broker-password'}"
    assert "s3cret" not in str(warning)
