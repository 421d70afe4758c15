"""The station's clocks tell what the computer tells."""

from __future__ import annotations

import time
from pathlib import Path

from gaugepost.edge.clock import BOOT_ID, Clock


def test_the_moment_lies_between_the_system_s_clocks_before_and_after() -> None:
    """Wall time and the clock that counts through sleep are the kernel's, in ms."""
    before = time.time_ns() // 1_000_000, time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    moment = Clock()()
    after = time.time_ns() // 1_000_000, time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    assert before[1] <= moment.clock_ms <= after[1]
    assert before[0] <= moment.utc_ms <= after[0]


def test_two_programs_in_one_boot_name_the_same_boot() -> None:
    """A duration can be taken across a restart of the program."""
    assert Clock()().boot == Clock()().boot == BOOT_ID.read_text().strip()


def test_without_a_boot_id_each_start_of_the_program_is_a_boot_of_its_own(tmp_path: Path) -> None:
    """Where the system names no boot, a duration across programs is unknown rather than wrong."""
    one, other = Clock(tmp_path / "none"), Clock(tmp_path / "none")
    assert one().boot == one().boot != other().boot
    (tmp_path / "empty").write_text("\n")
    assert len(Clock(tmp_path / "empty")().boot) == 36
