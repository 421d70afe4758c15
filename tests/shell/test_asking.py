"""Foot switch and scanner at a real daemon: everything on ports of their own, a gauge that is asked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.cli.daemons import gaugepost


def text_link(name: str, port: Port) -> str:
    return f"""
[links.{name}]
kind = "serial_port"
device = "{port.path}"
[links.{name}.decoder]
kind = "code_text"
terminator = "\\r"
"""


@pytest.fixture
def ports() -> Iterator[tuple[Port, Port, Port]]:
    with Port() as gauge, Port() as pedal, Port() as scanner:
        yield gauge, pedal, scanner


def station(gauge: Port, pedal: Port, scanner: Port, *, asked: bool) -> str:
    made = station_file(
        [gauge],
        gauge='answer_within = "60 s"',
        extra=f"""
{text_link("pedal-port", pedal)}
{text_link("scanner-port", scanner)}
[triggers.pedal]
link = "pedal-port"
does = "ask"
gauge = "g0"
[scanners.hand]
link = "scanner-port"
codes = ["{{lot}}/{{piece}}"]
""",
    )
    return made.replace("units = {", 'request = "?\\r"\nunits = {') if asked else made


def test_a_foot_switch_has_the_gauge_asked(tmp_path: Path, ports: tuple[Port, Port, Port]) -> None:
    """Pressed, the gauge is sent its request; what it answers is a reading of the piece that was scanned."""
    gauge, pedal, scanner = ports
    with Daemon(tmp_path, station(*ports, asked=True)) as daemon:
        daemon.wait_for(3, kind="link")
        scanner.send(b"L7/12\r")
        daemon.wait_for(1, kind="scan")
        pedal.send(b"x\r")
        assert gauge.received(2) == b"?\r"
        assert [record["device"] for record in daemon.wait_for(1, kind="trigger")] == ["pedal"]
        gauge.send(b"38.010 mm\r\n")
        (reading,) = daemon.wait_for(1, kind="reading")
        assert (reading["lot"], reading["piece"], reading["indication"]) == ("L7", "12", "38.010")


def test_a_gauge_that_cannot_be_asked_is_recorded(tmp_path: Path, ports: tuple[Port, Port, Port]) -> None:
    """A foot switch that leads to nothing says why."""
    _, pedal, _ = ports
    with Daemon(tmp_path, station(*ports, asked=False)) as daemon:
        daemon.wait_for(3, kind="link")
        pedal.send(b"x\r")
        (condition,) = daemon.wait_for(1, kind="condition")
        assert (condition["gauge"], condition["code"]) == ("g0", "not-asked")
        assert "can't be asked" in condition["text"]


def test_a_streaming_gauge_gives_one_reading_a_rocking(tmp_path: Path) -> None:
    """A gauge that sends without an end: the turning point of what comes by is recorded, with the rest as evidence."""
    stream = """[gauges.g0.stream]
takes = "smallest"
opens = "by-itself"
turn = "10 µm"
"""
    rocked = ["38.050", "38.030", "38.012", "38.010", "38.013", "38.031", "38.052"]
    with Port() as port, Daemon(tmp_path, station_file([port], gauge=stream)) as daemon:
        daemon.wait_for(1, kind="link")
        sent = b"".join(f"{size} mm\r\n".encode() for size in rocked)
        port.send(sent)
        (reading,) = daemon.wait_for(1, kind="reading")
        (evidence,) = daemon.records(kind="stream")
        assert reading["indication"] == "38.010"
        assert evidence["members"] == [reading["id"]]
        assert sent.startswith(bytes.fromhex(evidence["raw"]))
        assert evidence["count"] == sent[: len(evidence["raw"]) // 2].count(b"\n")
    assert gaugepost("verify", str(daemon.data), "--numbers").returncode == 0
