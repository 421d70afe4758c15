"""Which rules fit a device, and what follows for it: group, mode and lasting names, as udev(7) says."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

from gaugepost.edge.device_rules.language import OF_PARENTS, Part, Rule
from gaugepost.edge.device_rules.machine import Device

_SUBSTITUTE = re.compile(
    r"\$(kernel|number|name|env|attr)(?:\{([^}]*)\})?|%(k|n|E|s)(?:\{([^}]*)\})?|\$\$|%%"
)
_NOT_IN_NAMES = re.compile(r"[^\w#+.:=@/-]")
_SHORT = {"k": "kernel", "n": "number", "E": "env", "s": "attr"}


@dataclass(slots=True)
class Outcome:
    """What rules come to for one device."""

    lines: list[int] = field(default_factory=list)
    """Lines of the rules that fit it."""
    names: list[str] = field(default_factory=list)
    """Lasting names, below /dev."""
    group: str = ""
    mode: str = ""
    owner: str = ""
    not_tried: dict[int, str] = field(default_factory=dict)
    """Lines that might fit, by what can't be decided here."""
    _final: set[str] = field(default_factory=set)


def tried(rules: Iterable[Rule], device: Device) -> Outcome:
    """Return what `rules`, in their order, come to for a device that is plugged in."""
    outcome, chain = Outcome(), device.chain()
    known = {"ACTION": "add", **device.properties()}
    for rule in rules:
        unknown = _unknown(rule, known)
        decided = [part for part in rule.conditions if part not in unknown]
        parent = _fitting(decided, device, chain, known)
        if parent is None:
            continue
        if blocked := [*unknown, *rule.not_tried]:
            outcome.not_tried[rule.line] = ", ".join(dict.fromkeys(map(str, blocked)))
            if unknown or any(part.operator in ("==", "!=") for part in rule.not_tried):
                continue
        outcome.lines.append(rule.line)
        for part in rule.follows:
            _follow(outcome, part, device, parent, known)
    return outcome


def _unknown(rule: Rule, known: Mapping[str, str]) -> list[Part]:
    return [part for part in rule.conditions if part.key == "ENV" and part.about not in known]


def _fitting(
    conditions: Sequence[Part], device: Device, chain: Sequence[Device], known: Mapping[str, str]
) -> Device | None:
    """Return the device of the chain that conditions on parents fit, the device itself where there are none."""
    own = [part for part in conditions if part.key not in OF_PARENTS]
    if not all(_fits(part, _value(part, device, known)) for part in own):
        return None
    above = [part for part in conditions if part.key in OF_PARENTS]
    for each in chain if above else [device]:
        if all(_fits(part, _value(part, each, known)) for part in above):
            return each
    return None


def _value(part: Part, device: Device, known: Mapping[str, str]) -> str | None:
    match part.key.removesuffix("S") if part.key in OF_PARENTS else part.key:
        case "KERNEL":
            return device.kernel
        case "SUBSYSTEM":
            return device.subsystem
        case "ATTR":
            return device.attribute(part.about)
        case "ACTION":
            return known["ACTION"]
        case _:
            return known.get(part.about)


def _fits(part: Part, value: str | None) -> bool:
    """Whether a value is as a condition wants it; what a device does not have fits neither."""
    if value is None:
        return False
    fits = any(fnmatchcase(value, pattern) for pattern in part.value.split("|"))
    return fits is (part.operator == "==")


def _follow(outcome: Outcome, part: Part, device: Device, parent: Device, known: Mapping[str, str]) -> None:
    if part.key in outcome._final or part.key in ("ENV", "TAG"):
        return
    if part.key == "SYMLINK":
        told = [_substituted(name, device, parent, known) for name in part.value.split()]
        named = [f"/dev/{_NOT_IN_NAMES.sub('_', name)}" for name in told]
        before = outcome.names if part.operator == "+=" else []
        outcome.names = list(dict.fromkeys([*before, *named]))
    else:
        setattr(outcome, part.key.lower(), _substituted(part.value, device, parent, known))
    if part.operator == ":=":
        outcome._final.add(part.key)


def _substituted(text: str, device: Device, parent: Device, known: Mapping[str, str]) -> str:
    def put(found: re.Match[str]) -> str:
        if found[0] in ("$$", "%%"):
            return found[0][0]
        what, about = found[1] or _SHORT[found[3]], found[2] or found[4] or ""
        if what == "number":
            return (re.search(r"\d*$", device.kernel) or [""])[0]
        if what == "env":
            return known.get(about, "")
        if what == "attr":
            value = device.attribute(about)
            return (parent.attribute(about) if value is None else value) or ""
        return device.kernel

    return _SUBSTITUTE.sub(put, text)
