"""The command: a characteristic, an uncertainty, a rule and a process in; consumer's and producer's risk out."""

from __future__ import annotations

import argparse
import json
from decimal import Decimal
from pathlib import Path

from gaugepost.commands.risk.asked import ISO_DEFAULT, add_uncertainty, doubt_of, positive_length_mm
from gaugepost.core.conformity import Doubt, Rule, acceptance_limits, decide, judge, parse_rule
from gaugepost.core.conformity.deciding import cautions
from gaugepost.core.conformity.risk import Process, Risks, conforming_given, global_risks
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import Unit, exact_text, from_mm, parse_length, round_to
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
    lower_mm, upper_mm, unit, own = _asked_about(args.characteristic, args.station)
    rule = parse_rule(args.rule) if args.rule else own or parse_rule(ISO_DEFAULT)
    doubt = doubt_of(args)
    assert doubt is not None, "the argument is required"
    process = Process(parse_length(args.process_mean).mm, positive_length_mm(args.process_spread))
    answer = risk_document(rule, lower_mm, upper_mm, doubt, process, unit)
    if args.value is not None:
        answer |= _specific(rule, lower_mm, upper_mm, doubt, process, parse_length(args.value).mm)
    print(json.dumps(answer) if args.json else _as_text(args.characteristic, answer))
    return 0


def risk_document(
    rule: Rule,
    lower_mm: Decimal | None,
    upper_mm: Decimal | None,
    doubt: Doubt,
    process: Process,
    unit: Unit,
) -> dict[str, object]:
    """Return the global risks as a document; probabilities to 6 significant digits, lengths as text in `unit`."""
    risks: Risks = global_risks(rule, lower_mm, upper_mm, doubt, process)
    accepting = acceptance_limits(rule, lower_mm, upper_mm, doubt) or (None, None)
    return {
        "rule": str(rule),
        "unit": unit.value,
        "lower": _in(lower_mm, unit),
        "upper": _in(upper_mm, unit),
        "lower_acceptance": _in(accepting[0], unit),
        "upper_acceptance": _in(accepting[1], unit),
        "consumers_risk": _kept(risks.consumer),
        "producers_risk": _kept(risks.producer),
        "nonconforming": _kept(risks.nonconforming),
        "accepted": _kept(risks.accepted),
        "nonconforming_of_accepted": _kept(risks.consumer / risks.accepted) if risks.accepted else None,
        "cautions": list(cautions(rule, lower_mm, upper_mm, doubt)),
    }


def _specific(
    rule: Rule,
    lower_mm: Decimal | None,
    upper_mm: Decimal | None,
    doubt: Doubt,
    process: Process,
    value_mm: Decimal,
) -> dict[str, object]:
    try:
        conforming = conforming_given(value_mm, lower_mm, upper_mm, doubt, process)
    except ValueError as error:
        raise ValueRefused(
            str(error), hint="check --process-mean, --process-spread and their units"
        ) from error
    found = decide(rule, judge(value_mm, lower_mm, upper_mm), value_mm, lower_mm, upper_mm, doubt)
    return {
        "decision": found.decision.value,
        "specific_consumers_risk": _kept(1 - conforming),
        "specific_producers_risk": _kept(conforming),
    }


def _asked_about(text: str, station: Path | None) -> tuple[Decimal | None, Decimal | None, Unit, Rule | None]:
    if station is None:
        limits = parse_limits(text)
        return limits.lower_mm, limits.upper_mm, limits.unit, None
    from gaugepost.edge.stationfile import read_station  # loads what only a station file needs

    known = read_station(station).set_up.characteristics
    if text not in known:
        raise ValueRefused(
            f"{text!r} is not a characteristic of {station}",
            hint=f"write one of {', '.join(known) or 'none'}",
        )
    entry = known[text]
    return entry.lower_mm, entry.upper_mm, entry.unit, entry.rule


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


def _in(length_mm: Decimal | None, unit: Unit) -> str | None:
    """A length in the drawing's unit, to a tenth of a µm or of ten µin: finer than anybody sets a process."""
    if length_mm is None:
        return None
    finest = Decimal("0.00001") if unit is Unit.MM else Decimal("0.000001")
    return exact_text(round_to(from_mm(length_mm, unit), finest))


def _kept(probability: float) -> float:
    return float(f"{max(probability, 0.0):.6g}")
