"""How long a person waits: for help, and for the service to listen, against an interpreter that does nothing."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.bench_tools.daemon import Daemon, station_file
from tests.benchmarks.bench import ports
from tests.benchmarks.figures import Figure, medians, scratch

ROUNDS = 7
HELP_S, LISTENING_S = 0.3, 1.5


def figures() -> Iterator[Figure]:
    """Start each of them in turn."""
    with scratch() as folder, ports(8) as plugged:
        daemon = Daemon(folder, station_file(plugged))

        def listening() -> None:
            daemon.start()
            daemon.kill()

        check = ["-m", "gaugepost", "check", str(folder / "station.toml")]
        listening()  # the first run writes compiled modules, the journal and the station file
        taken = medians(
            {
                "nothing": lambda: _python("-c", "pass"),
                "help": lambda: _python("-m", "gaugepost", "--help"),
                "limits": lambda: _python("-m", "gaugepost", "limits", "45 H8"),
                "check": lambda: _python(*check),
                "listening": listening,
            },
            ROUNDS,
        )
    nothing = taken["nothing"]
    goals = {"help": HELP_S, "listening": LISTENING_S}
    names = {
        "help": "gaugepost --help",
        "limits": 'gaugepost limits "45 H8"',
        "check": "gaugepost check, 8 gauges",
    }
    for name in ("help", "limits", "check", "listening"):
        most = goals.get(name)
        yield Figure(
            names.get(name, "gaugepost run, until it listens, 8 gauges"),
            taken[name] * 1e3,
            "ms",
            nothing * 1e3,
            "python -c pass",
            f"less than {most} s" if most else "",
            most is None or taken[name] < most,
        )


def _python(*args: str) -> None:
    subprocess.run([sys.executable, *args], check=True, capture_output=True, cwd=Path(__file__).parents[2])
