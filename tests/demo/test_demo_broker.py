"""The demo with a real broker and without: what it publishes, what it says of it, and that it ends by itself."""

from __future__ import annotations

import socket
import subprocess
import sys
from argparse import ArgumentTypeError
from pathlib import Path

import pytest

from gaugepost.commands.demo import _broker
from gaugepost.core.errors import Unreachable
from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.demo.broker import Broker as Named, chosen
from tests.bench_tools.broker import Broker, Subscriber
from tests.bench_tools.ports import free_port

pytestmark = pytest.mark.attack

LONGEST_S = 120.0
"""Bounds a failure; the demo at pace 0 takes a few seconds."""


def demo(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Play it once, as quickly as it goes."""
    command = [sys.executable, "-m", "gaugepost", "demo", "--once", "--pace", "0", "--port", str(free_port())]
    return subprocess.run(
        [*command, "--data", str(folder), *words],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=LONGEST_S,
        check=False,
    )


def test_every_record_goes_to_the_broker_too(tmp_path: Path) -> None:
    """It says where it publishes and how to watch, publishes every record, and says how many were delivered."""
    with Broker(tmp_path) as broker, Subscriber(broker, "gaugepost/#") as subscriber:
        played = demo(tmp_path / "demo", "--broker", f"127.0.0.1:{broker.port}")
        heard = [each.json for each in subscriber.settled() if not each.topic.endswith("/status")]
    assert played.returncode == 0, played.stdout + played.stderr
    assert (
        f"published to the broker at 127.0.0.1:{broker.port} too, below gaugepost/demo-bench/"
        in played.stdout
    )
    assert f"-p {broker.port} -v -t 'gaugepost/demo-bench/#'" in played.stdout
    assert (
        f"broker   {len(heard)} of {len(heard)} records delivered to 127.0.0.1:{broker.port}\n"
        in played.stdout
    )
    assert len({each["id"] for each in heard}) == len(heard) > 12
    assert {each["kind"] for each in heard} <= set(PUBLISHED_KINDS)


def test_a_broker_that_was_named_must_be_there(tmp_path: Path) -> None:
    """Where nothing answers at the address that was given, that is said before anything is played."""
    played = demo(tmp_path / "demo", "--broker", f"127.0.0.1:{free_port()}")
    assert played.returncode == 2
    assert "no broker answers at 127.0.0.1:" in played.stderr
    assert not (tmp_path / "demo").exists()


def test_the_usual_broker_is_taken_where_it_answers(tmp_path: Path) -> None:
    """Unasked, a broker is used only where one lets us in: none, a mute one and one that wants a name are left out."""
    assert chosen(None, Named("127.0.0.1", free_port())) is None
    with socket.create_server(("127.0.0.1", 0)) as mute:
        assert chosen(None, Named("127.0.0.1", mute.getsockname()[1])) is None
    with Broker(tmp_path, ("allow_anonymous false",)) as closed:
        there = Named("127.0.0.1", closed.port)
        assert chosen(None, there) is None
        with pytest.raises(Unreachable, match="does not let the demo in"):
            chosen(there, there)
    with Broker(tmp_path) as broker:
        there = Named("127.0.0.1", broker.port)
        assert chosen(None, there) == there


@pytest.mark.parametrize(
    "text", ["", "a b", "host:", "host:0", "host:99999", "mqtt://host", "me@host", "::1", "[::1"]
)
def test_what_is_no_broker(text: str) -> None:
    """What can't be a host with a port is refused with what to write."""
    with pytest.raises(ArgumentTypeError, match="as localhost:1883"):
        _broker(text)
    assert _broker("[::1]:1884") == Named("::1", 1884)
    assert str(_broker("broker.example")) == "broker.example:1883"
