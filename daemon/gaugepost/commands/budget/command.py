"""The command: a characteristic of a station file in, its budget by what the file declares out."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from gaugepost.commands.budget.table import lines, validated
from gaugepost.commands.view.progress import progress_of
from gaugepost.core.bench.budgeting import (
    Unstated,
    document,
    expected_budget,
    of_result,
    reading_budget,
    sizes_of,
)
from gaugepost.core.bench.combining import judged_of
from gaugepost.core.errors import ValueRefused
from gaugepost.core.setup import CharacteristicEntry, Combine, SetUp
from gaugepost.core.uncertainty import Budget

if TYPE_CHECKING:
    from gaugepost.commands.budget.monte_carlo import RangeValidation, Validation

_EPILOG = """\
examples:
  gaugepost budget spool-bore --station bench.toml
  gaugepost budget spool-bore --station bench.toml --gauge bore-38 --master ring-38 --monte-carlo
  gaugepost budget spool-bore --station bench.toml --as-it-stands

It is of what is judged, a reading or a result of several, as the station file declares things; measured temperatures
are taken as 20 °C. With --as-it-stands it is that of the next reading, by what the journal says: on which masters the
gauge was mastered, how warm all is, how it repeated. Over REST: GET /v1/characteristics/NAME/budget.
exit code: 0; 1 where no uncertainty can be stated, or --monte-carlo finds the analytical one not good enough; 2 where
something is not understood
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = (
        "Print the uncertainty budget of a characteristic (JCGM 100), and what to improve first."
    )
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("characteristic", metavar="CHARACTERISTIC", help="its name in the station file")
    parser.add_argument("--station", metavar="FILE", type=Path, required=True, help="the station file")
    parser.add_argument("--gauge", metavar="NAME", help="one of its gauges (default: its first)")
    parser.add_argument(
        "--master",
        metavar="NAME",
        action="append",
        help="the master, or two of them (default: the first that serves it)",
    )
    parser.add_argument(
        "--as-it-stands",
        action="store_true",
        help="with mastering, temperatures and repeatability as the station's journal has them now",
    )
    parser.add_argument("--monte-carlo", action="store_true", help="check it by JCGM 101; needs numpy")
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace) -> int:
    """Print the budget; return 0, or 1 where there is none or it is not good enough."""
    from gaugepost.edge.stationfile import read_station  # loads what only a station file needs

    station = read_station(args.station)
    if args.as_it_stands:
        if args.master:
            raise ValueRefused(
                "the mastering in force says on which master it was",
                hint="leave --master out, or --as-it-stands",
            )
        entry, reading = as_it_stands(station.data, args.characteristic, args.gauge)
    else:
        set_up = station.set_up
        reading = asked_for(set_up, args.characteristic, args.gauge, args.master, int(time.time() * 1000))
        entry = set_up.characteristics[args.characteristic]
    made = of_result(reading, entry)
    found: Validation | RangeValidation | None = None
    if args.monte_carlo and not isinstance(reading, Unstated) and not isinstance(made, Unstated):
        from gaugepost.commands.budget import monte_carlo  # numpy: only when it is asked for

        if entry.combine is Combine.RANGE and entry.upper_mm is not None:
            found = monte_carlo.validate_range(reading, *sizes_of(entry), float(entry.upper_mm))
        else:
            found = monte_carlo.validate(made)
    if args.json:
        plain = document(made) | ({"monte_carlo": dataclasses.asdict(found)} if found else {})
        told = {"characteristic": args.characteristic, "of": judged_of(entry), **plain}
        print(json.dumps(told, ensure_ascii=False))
    elif isinstance(made, Unstated):
        print(
            "no uncertainty can be stated:",
            *(f"  {reason}" for reason in made.reasons),
            sep="\n",
            file=sys.stderr,
        )
    else:
        print(
            f"{args.characteristic}, {judged_of(entry)}",
            *lines(made),
            *(validated(found) if found else ()),
            sep="\n",
        )
    return 1 if isinstance(made, Unstated) or (found is not None and not found.is_valid) else 0


def asked_for(
    set_up: SetUp, name: str, gauge: str | None, masters: list[str] | None, utc_ms: int
) -> Budget | Unstated:
    """Return the budget of a reading that is asked for. Raises `ValueRefused` for names that nothing has."""
    entry, gauge = _named(set_up, name, gauge)
    serving = list(entry.masters or set_up.masters)
    masters = masters or serving[:1]
    for master in masters:
        if master not in serving:
            raise _unknown(f"master of {name}", master, serving)
    if not masters or len(set(masters)) != len(masters) or len(masters) > 2:
        raise ValueRefused(
            "a gauge is mastered on one master or two different ones", hint="name them with --master"
        )
    return expected_budget(set_up, gauge, entry, tuple(masters), utc_ms)


def as_it_stands(data: Path, name: str, gauge: str | None) -> tuple[CharacteristicEntry, Budget | Unstated]:
    """Return a characteristic with the budget of its next reading, by what the journal in `data` leads to.

    Raises:
        JournalError: it can't be read.
        ValueRefused: the set-up in force has no such characteristic, or it no such gauge.
    """
    from gaugepost.edge.clock import Clock
    from gaugepost.edge.journal import Reader
    from gaugepost.edge.kept.snapshot import Snapshot

    with contextlib.closing(Reader(data)) as reader:
        state = Snapshot(data, reader).restore(progress_of("applied"))
    entry, gauge = _named(state.set_up, name, gauge)
    return entry, reading_budget(state, gauge, entry, Clock()())


def _named(set_up: SetUp, name: str, gauge: str | None) -> tuple[CharacteristicEntry, str]:
    entry = set_up.characteristics.get(name)
    if entry is None:
        raise _unknown("characteristic", name, list(set_up.characteristics))
    gauge = gauge or entry.gauges[0]
    if gauge not in entry.gauges:
        raise _unknown(f"gauge of {name}", gauge, list(entry.gauges))
    return entry, gauge


def _unknown(what: str, name: str, known: list[str]) -> ValueRefused:
    return ValueRefused(f"{name!r} is not a {what}", hint=f"write one of {', '.join(known) or 'none'}")
