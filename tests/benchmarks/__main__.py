"""`make bench`, or `make bench ARGS="commit core"`: run benchmarks, print figures. Nothing fails by a clock."""

from __future__ import annotations

import importlib
import os
import platform
import sys

NAMES = (
    "commit", "core", "start", "idle", "fsyncs", "stall", "throughput", "drain", "push", "latency", "sustained",
    "everything", "backlog", "database", "links", "radio", "teach", "verify", "years", "trace", "plant", "page",
)  # fmt: skip


def main(named: list[str]) -> int:
    """Run the named benchmarks, or all; return 2 where one is named that there is not."""
    if unknown := [name for name in named if name not in NAMES]:
        print(f"no benchmark is named {unknown[0]!r}; there are: {', '.join(NAMES)}", file=sys.stderr)
        return 2
    print(f"{platform.python_implementation()} {platform.python_version()}, {os.cpu_count()} cores")
    for name in named or NAMES:
        room = importlib.import_module(f"tests.benchmarks.{name}")
        print(f"\n{name}: {(room.__doc__ or '').splitlines()[0]}", flush=True)
        for figure in room.figures():
            print(f"  {str(figure).replace(chr(10), chr(10) + '  ')}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
