"""A lesson outlives its link: nothing that was measured goes with a cable, and every end tells what was found."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench_tools.daemon import Port
from tests.bench_tools.pupil import Pupil

PATIENCE_S = 60
FRAMES = (("12.345 mm", b"+0012.345\r"), ("7.891 mm", b"+0007.891\r"), ("-3.072", b"-0003.072\r"))


@pytest.fixture
def cable() -> Iterator[Port]:
    with Port() as cable:
        yield cable


@pytest.fixture
def pupil(cable: Port, tmp_path: Path) -> Iterator[Pupil]:
    pupil = Pupil("serial_port", f"device={cable.path}", "--write", str(tmp_path / "bore"))
    yield pupil
    pupil.close()


def test_a_pulled_cable_costs_nothing_that_was_measured(cable: Port, pupil: Pupil, tmp_path: Path) -> None:
    """Pulled in the middle of a frame and plugged in again, the lesson goes on where it was, to its decision."""
    for number, (shows, frame) in enumerate(FRAMES, 1):
        pupil.until(f"shows ({number}): ")
        if number == 3:
            cable.send(frame[:5])
            pupil.until("came:")
            cable.unplug()
            assert "is kept" in pupil.until("is left out: send it again")
            pupil.types(shows)
            pupil.until("shows (3): ")
            cable.plug()
            pupil.until("connected again")
        cable.send(frame)
        pupil.until("came:")
        pupil.types(shows)
    code, out, _ = pupil.end()
    assert code == 0
    assert "decided: delimited_text" in out
    assert (tmp_path / "bore.toml").exists()


def test_what_was_decided_is_kept_when_the_cable_goes_with_it(
    cable: Port, pupil: Pupil, tmp_path: Path
) -> None:
    """A cable that is pulled as the last value is typed takes no description with it."""
    for number, (shows, frame) in enumerate(FRAMES, 1):
        pupil.until(f"shows ({number}): ")
        cable.send(frame)
        pupil.until("came:")
        pupil.types(shows)
        if number == 3:
            cable.unplug()
    code, out, said = pupil.end()
    assert (code, "decided: delimited_text" in out) == (0, True), said


@pytest.mark.parametrize("how", ["an empty line", "Ctrl-C", "Ctrl-C without a link"])
def test_every_end_tells_what_was_found(cable: Port, pupil: Pupil, how: str) -> None:
    """However a lesson ends undecided, its last words are how many measurements there are and what is open."""
    for number, (shows, frame) in enumerate(FRAMES[:2], 1):
        pupil.until(f"shows ({number}): ")
        cable.send(frame)
        pupil.until("came:")
        pupil.types(shows)
    pupil.until("shows (3): ")
    if how == "an empty line":
        pupil.types("")
    else:
        if how.endswith("link"):
            cable.unplug()
            pupil.until("lost: ")
        pupil.process.send_signal(signal.SIGINT)
    code, _, said = pupil.end()
    assert code == 1
    told = said[said.index("ended after 2 measurements") :]
    assert "not decided yet" in told
    assert "Traceback" not in said
