"""`make soak`, or `make soak ARGS="--seconds 600 --kills"`: hours of work with a fault every few seconds."""

from __future__ import annotations

import argparse
import sys

from tests.benchmarks.figures import scratch
from tests.soak.soak import Soak

MOST_MB, MOST_MORE = 5.0, 2


def main(words: list[str]) -> int:
    """Run a soak and print what it came to; return 1 where something grows or is missing."""
    parser = argparse.ArgumentParser(prog="make soak", description=__doc__)
    parser.add_argument("--seconds", type=float, default=7200, help="how long (7200)")
    parser.add_argument(
        "--rate", type=float, default=200, help="values a second of all gauges together (200)"
    )
    parser.add_argument("--kills", action="store_true", help="kill the daemon now and then as well")
    parser.add_argument("--seed", type=int, default=1, help="another number, other faults (1)")
    args = parser.parse_args(words)
    with scratch() as folder:
        soak = Soak(folder, args.seconds, args.rate, kills=args.kills, seed=args.seed)
        came = soak.run(lambda line: print(line, flush=True))
    print(came.told())
    growth = came.growth()
    held = growth is not None and growth[0] <= MOST_MB and max(growth[1:]) <= MOST_MORE
    print(
        f"goal: at most {MOST_MB:g} MB, {MOST_MORE} descriptors and {MOST_MORE} threads more: "
        f"{'holds' if held else 'MISSED'}"
    )
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
