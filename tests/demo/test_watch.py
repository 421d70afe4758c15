"""`gaugepost watch` on a real station, over restarts and a new journal."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gaugepost.demo.process import Daemon
from gaugepost.demo.shop import LOT_OF_SIX, Shop
from tests.bench_tools.ports import free_port

LONGEST_S = 60.0
ENVIRONMENT = {**os.environ, "PYTHONIOENCODING": "utf-8"}


@contextlib.contextmanager
def running(station: Path) -> Iterator[Daemon]:
    daemon = Daemon(station)
    try:
        daemon.wait_until_listening()
        yield daemon
    finally:
        daemon.stop()


@pytest.fixture
def shop() -> Iterator[Shop]:
    with contextlib.closing(Shop()) as made:
        yield made


@contextlib.contextmanager
def watching(folder: Path, *words: str) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    output = folder / "watch.txt"
    with output.open("wb") as out:
        command = [sys.executable, "-m", "gaugepost", "watch", *words]
        watch = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, env=ENVIRONMENT)
    try:
        yield watch, output
    finally:
        if watch.poll() is None:
            watch.kill()
        watch.wait(LONGEST_S)


def until(output: Path, holds: Callable[[str], bool]) -> str:
    deadline = time.monotonic() + LONGEST_S
    while time.monotonic() < deadline:
        if holds(text := output.read_text("utf-8")):
            return text
        time.sleep(0.02)
    raise AssertionError(output.read_text("utf-8"))


def test_it_shows_a_measurement_as_it_happens(tmp_path: Path, shop: Shop) -> None:
    """A squeeze of the gauge appears in the terminal, with its value and verdict; Ctrl-C ends it with exit code 0."""
    station = shop.write_station(tmp_path, free_port())
    with (
        running(station),
        watching(tmp_path, "--station", str(station), "--since", "beginning") as (watch, output),
    ):
        until(output, lambda text: text.count(" connected: ") == 3)
        shop.bore_38.squeeze(LOT_OF_SIX[0].spool_bore)
        text = until(output, lambda text: "because not mastered" in text)
        assert "not judged" in text
        assert "38.0" in text
        watch.send_signal(signal.SIGINT)
        assert watch.wait(LONGEST_S) == 0


def test_from_now_on_nothing_old_is_shown(tmp_path: Path, shop: Shop) -> None:
    """Without --since the watch begins with what happens next."""
    station = shop.write_station(tmp_path, free_port())
    with running(station) as daemon:
        with watching(tmp_path, "--at", daemon.address, "--since", "beginning") as (_, output):
            until(output, lambda text: text.count(" connected: ") == 3)
        with watching(tmp_path, "--at", daemon.address) as (_, output):
            deadline = time.monotonic() + LONGEST_S
            celsius = 21.0
            while "air" not in output.read_text("utf-8"):  # it has begun when it shows the first of these
                assert time.monotonic() < deadline
                celsius += 0.05
                shop.thermometer.show("A", celsius)
                time.sleep(0.05)
            assert "service started" not in output.read_text("utf-8")


def test_it_waits_for_a_station_that_restarts_and_takes_up_a_new_journal(tmp_path: Path, shop: Shop) -> None:
    """A station that goes and comes again is waited for, once told; another journal is shown from its beginning."""
    station = shop.write_station(tmp_path, free_port())
    with watching_station(tmp_path, station) as output:
        shutil.rmtree(tmp_path / "data")
        with running(station):
            text = until(output, lambda text: text.count("service started") == 2)
    assert text.count("waiting for it") == 1
    assert text.count("answers again") == 1


@contextlib.contextmanager
def watching_station(folder: Path, station: Path) -> Iterator[Path]:
    """Watch a station that has been running and is stopped now."""
    with contextlib.ExitStack() as stack:
        with running(station):
            _, output = stack.enter_context(
                watching(folder, "--station", str(station), "--since", "beginning")
            )
            until(output, lambda text: text.count(" connected: ") == 3)
        until(output, lambda text: "waiting for it" in text)
        yield output


def test_nobody_there_is_said_with_what_to_do(tmp_path: Path) -> None:
    """Where no station answers it ends with exit code 2 and says how to start or name one."""
    with watching(tmp_path, "--at", f"http://127.0.0.1:{free_port()}") as (watch, output):
        assert watch.wait(LONGEST_S) == 2
    assert "gaugepost run" in output.read_text("utf-8")


@pytest.mark.parametrize("words", [("--since", "yesterday"), ("--since", "-3"), ("--at", "ftp://x")])
def test_what_cannot_be_meant_is_refused(tmp_path: Path, words: tuple[str, ...]) -> None:
    """A place that is none, or an address that is none, is an error of the command line."""
    with watching(tmp_path, *words) as (watch, _):
        assert watch.wait(LONGEST_S) == 2
