"""What the service costs while eight gauges rest, against an event loop that waits on such ports and does nothing."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator

from gaugepost.shell.intake import IDLE_LONGEST_S
from tests.benchmarks.bench import Cost, ports, station
from tests.benchmarks.figures import Figure, scratch

GAUGES, REST_S, SETTLE_S = 8, 20.0, IDLE_LONGEST_S + 2
MOST_CPU, MOST_MB = 1.0, 90.0

BARE = """
import asyncio, os, sys
async def main():
    loop = asyncio.get_running_loop()
    for path in sys.argv[1:]:
        fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        loop.add_reader(fd, lambda fd=fd: os.read(fd, 4096))
    print("ready", flush=True)
    await asyncio.Event().wait()
asyncio.run(main())
"""


def figures() -> Iterator[Figure]:
    """Let both rest at the same time, each with its own ports."""
    with (
        scratch() as folder,
        ports(GAUGES) as plugged,
        ports(GAUGES) as others,
        station(folder, plugged) as daemon,
    ):
        command = [sys.executable, "-c", BARE, *(port.path for port in others)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as bare:
            assert bare.stdout is not None
            assert daemon.process is not None
            bare.stdout.readline()
            time.sleep(SETTLE_S)
            before = Cost.of(daemon.process.pid), Cost.of(bare.pid)
            time.sleep(REST_S)
            after = Cost.of(daemon.process.pid), Cost.of(bare.pid)
            bare.kill()
    cpu = [(then.cpu_s - now.cpu_s) / REST_S * 100 for now, then in zip(before, after, strict=True)]
    wakes = [(then.wakes - now.wakes) / REST_S for now, then in zip(before, after, strict=True)]
    against = "a bare event loop"
    yield Figure(
        "processor, of a core", cpu[0], "%", cpu[1], against, f"less than {MOST_CPU:g} %", cpu[0] < MOST_CPU
    )
    yield Figure(
        "memory", after[0].rss_mb, "MB", after[1].rss_mb, against,
        f"less than {MOST_MB:g} MB", after[0].rss_mb < MOST_MB,
    )  # fmt: skip
    yield Figure("wakes a second", wakes[0], "/s", wakes[1], against)
