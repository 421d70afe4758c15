"""`gaugepost devices --rules`: what device rules would do on this computer, before anybody installs them."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from gaugepost.core.errors import SettingsError
from gaugepost.edge.device_rules import Device, Outcome, devices, line_for, read_rules, tried

INSTALLED = Path("/etc/udev/rules.d/70-gaugepost.rules")
"""Where rules of ours are installed."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What the rules come to for one device."""

    device: Device
    outcome: Outcome
    line: str
    """A rule to write, where it has none that gives it a group or a name; empty where it has."""
    notes: tuple[str, ...]


def dry_run(file: Path, *, as_json: bool) -> int:
    """Print for each device which rule fits it and what it gets; return 1 where one has none or a line is wrong.

    Raises:
        SettingsError: the file can't be read.
    """
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as cause:
        hint = "name another file: gaugepost devices --rules deploy/device-rules/70-gaugepost.rules"
        raise SettingsError(f"{file} can't be read ({cause})", hint=hint) from cause
    rules, findings = read_rules(text)
    for finding in findings:
        print(f"{file}:{finding.line}: {finding.finding}\n  {finding.write}", file=sys.stderr)
    there = list(devices())
    outcomes = [tried(rules, device) for device in there]
    shown = [_told(device, outcome, there, outcomes) for device, outcome in zip(there, outcomes, strict=True)]
    if as_json:
        for each in shown:
            print(json.dumps(_document(each), ensure_ascii=False))
    else:
        print("\n\n".join("\n".join(_lines(each, file)) for each in shown) or _NOTHING)
    return int(not there or bool(findings) or any(each.line for each in shown))


_NOTHING = "nothing is plugged in that a rule could be about: plug the gauge in and look again"


def _told(device: Device, outcome: Outcome, there: Sequence[Device], all_of_them: Sequence[Outcome]) -> Tried:
    known = Counter(name for each in all_of_them for name in each.names)
    notes = [
        f"{name} is given to several devices: it will be one of them"
        for name in outcome.names
        if known[name] > 1
    ]
    notes += [f"line {line} might fit, and depends on {what}: try it with udevadm test" for line, what in
              outcome.not_tried.items()]  # fmt: skip
    if outcome.group and not _is_group(outcome.group):
        notes.append(f"there is no group {outcome.group} here yet: groupadd --system {outcome.group}")
    line = "" if outcome.lines and (outcome.group or outcome.names) else line_for(device, there)
    return Tried(device, outcome, line, tuple(notes))


def _is_group(name: str) -> bool:
    import grp

    try:
        grp.getgrnam(name)
    except KeyError:
        return name.isdecimal()
    return True


def _lines(tried: Tried, file: Path) -> Iterator[str]:
    outcome = tried.outcome
    yield f"{tried.device.node}, {_called(tried.device)}"
    if outcome.lines:
        numbers = ", ".join(map(str, outcome.lines))
        yield f"  {file}, line {numbers}"
    yield from (f"  found as {name}" for name in outcome.names)
    if who := [f"{what} {value}" for what in ("owner", "group", "mode") if (value := getattr(outcome, what))]:
        yield f"  {', '.join(who)}"
    yield from (f"  note: {note}" for note in tried.notes)
    if tried.line:
        yield "  no rule gives it a group or a lasting name; to write into the file:"
        yield f"  {tried.line}"


def _called(device: Device) -> str:
    """Return what a device calls itself."""
    for each in device.chain():
        if name := each.attribute("product") or each.attribute("name"):
            return name
    return "without a name"


def _document(tried: Tried) -> dict[str, object]:
    outcome = tried.outcome
    return {
        "device": tried.device.node,
        "name": _called(tried.device),
        "lines": outcome.lines,
        "names": outcome.names,
        "group": outcome.group or None,
        "mode": outcome.mode or None,
        "owner": outcome.owner or None,
        "notes": list(tried.notes),
        "write": tried.line or None,
    }
