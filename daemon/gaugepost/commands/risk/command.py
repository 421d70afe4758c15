"""The command: a characteristic, an uncertainty, a rule and a process in; consumer's and producer's risk out."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from gaugepost.commands.risk.asked import add_uncertainty
from gaugepost.core.conformity import Rule
from gaugepost.core.conformity.asked import ISO_DEFAULT, risk_answer
from gaugepost.core.conformity.risk import Limits
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import Unit
from gaugepost.core.tolerance import parse_limits

_EPILOG = f"""\
examples:
  gaugepost risk "38 H7" -u "0.9 µm" --process-mean "38.012 mm" --process-spread "4 µm"
  gaugepost risk "38 H7" -u "0.9 µm" --process-mean "38.012 mm" --process-spread "4 µm" --value "38.0242 mm"
  gaugepost risk spool-bore --station bench.toml -u "0.9 µm" --process-mean "38.012 mm" --process-spread "4 µm"

Consumer's risk: a nonconforming piece is accepted. Producer's risk: a conforming one is not. Global risks are those of
any piece of the process, the specific one is that of a piece that showed --value (JCGM 106:2012, clause 9). Without
--rule it is the characteristic's own where a station file is named, else {ISO_DEFAULT}.
exit code: 0, or 2 where something is not understood
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = "Say how often a decision rule goes wrong on the pieces that a process makes."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "characteristic",
        metavar="CHARACTERISTIC",
        help='limits as the drawing gives them, as "38 H7"; with --station a name out of that file',
    )
    parser.add_argument(
        "--station", metavar="FILE", type=Path, help="station file that has the characteristic"
    )
    add_uncertainty(parser, required=True)
    parser.add_argument(
        "--process-mean", metavar="LENGTH", required=True, help="mean size that the process makes"
    )
    parser.add_argument(
        "--process-spread", metavar="LENGTH", required=True, help="standard deviation of the sizes it makes"
    )
    parser.add_argument(
        "--value", metavar="LENGTH", help="value that one piece showed, for its specific risk"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object, exact numbers as text")


def run(args: argparse.Namespace) -> int:
    """Print the risks; return 0. Raises `GaugepostError` where something is not understood."""
    limits_mm, unit, own = _asked_about(args.characteristic, args.station)
    answer = risk_answer(limits_mm, unit, own, vars(args))
    print(json.dumps(answer) if args.json else _as_text(args.characteristic, answer))
    return 0


def _asked_about(text: str, station: Path | None) -> tuple[Limits, Unit, Rule | None]:
    if station is None:
        limits = parse_limits(text)
        return (limits.lower_mm, limits.upper_mm), limits.unit, None
    from gaugepost.edge.stationfile import read_station  # loads what only a station file needs

    known = read_station(station).set_up.characteristics
    if text not in known:
        raise ValueRefused(
            f"{text!r} is not a characteristic of {station}",
            hint=f"write one of {', '.join(known) or 'none'}",
        )
    entry = known[text]
    return (entry.lower_mm, entry.upper_mm), entry.unit, entry.rule


def _as_text(asked: str, answer: dict[str, object]) -> str:
    def share(name: str) -> str:
        return f"{float(str(answer[name])):.3%}"

    def between(lower: str, upper: str) -> str:
        ends = [str(answer[name] or "") for name in (lower, upper)]
        if not any(ends):
            return "none"
        return f"{' .. '.join(ends) if all(ends) else ('>= ' if ends[0] else '<= ') + ''.join(ends)} {answer['unit']}"

    of_accepted = (
        ""
        if answer["nonconforming_of_accepted"] is None
        else (f"; {share('nonconforming_of_accepted')} of what is accepted")
    )
    rows = [
        ("limits", between("lower", "upper")),
        ("rule", str(answer["rule"])),
        ("acceptance limits", between("lower_acceptance", "upper_acceptance")),
        ("nonconforming", f"{share('nonconforming')} of what the process makes"),
        ("accepted", share("accepted")),
        ("consumer's risk", f"{share('consumers_risk')}: nonconforming and accepted{of_accepted}"),
        ("producer's risk", f"{share('producers_risk')}: conforming and not accepted"),
    ]
    if "decision" in answer:
        accepted = answer["decision"] == "accept"
        name, risk = (
            ("consumer's", "specific_consumers_risk")
            if accepted
            else ("producer's", "specific_producers_risk")
        )
        rows.append(("this piece", f"{answer['decision']}; specific {name} risk {share(risk)}"))
    cautioned = answer["cautions"]
    assert isinstance(cautioned, list)
    rows += [("caution", caution) for caution in cautioned]
    return "\n".join([asked.strip(), *(f"  {name:<18} {said}" for name, said in rows)])
