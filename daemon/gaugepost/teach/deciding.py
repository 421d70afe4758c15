"""Decides: of what fits every sample, what could be read otherwise, what luck could do, what to measure next."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.contract.teaching import Ask, Evidence, Typed, all_chunks
from gaugepost.teach.channels import recorded
from gaugepost.teach.judging import (
    Fitting,
    Reads,
    information_bits,
    probes,
    reads,
    same_in_every_cut,
    with_request,
)
from gaugepost.teach.outlook import Candidates, Next, Outlook, Proposal, Shown
from gaugepost.teach.showing import loose, shown

MARGIN_BITS = 20.0
"""How much more the digits must say than the choice among all that was tried: a million to one against luck."""
LEAST_VALUES = 3
"""Different values other than zero that have to agree."""
_Value = tuple[Decimal, str | None]


@dataclass(frozen=True, slots=True)
class _Class:
    fits: tuple[Fitting, ...]
    reads: tuple[Reads, ...]

    @property
    def accepts(self) -> int:
        return sum(one is not None for one in self.reads)

    def apart(self, other: _Class) -> tuple[Reads, Reads] | None:
        """What both read of one frame, where that differs; refusing is no contradiction."""
        pairs = zip(self.reads, other.reads, strict=True)
        return next(((a, b) for a, b in pairs if a and b and a != b), None)


def decided(whole: Evidence, part: Evidence, channel: str, fits: list[Fitting], tried: int) -> Outlook:
    """Return how things stand for drafts that fit every sample of `part`: what came over `channel`, of the `whole`."""
    complete = any(chunk.complete for chunk in all_chunks(part))
    tries = probes(fits, complete)
    alike: dict[tuple[Reads, ...], list[Fitting]] = {}
    for one in fits:
        alike.setdefault(reads(one, tries), []).append(one)
    classes = [_Class(tuple(same), key) for key, same in alike.items()]
    return _decided(whole, part, channel, classes, tried)


def _decided(whole: Evidence, evidence: Evidence, channel: str, classes: list[_Class], tried: int) -> Outlook:
    def rank(one: _Class) -> tuple[int, int, int]:
        rivals = sum(one.apart(other) is not None for other in classes)
        return rivals, len(_unmet(one.fits[0].draft.asks, evidence)), one.accepts

    best, *others = sorted(classes, key=rank)
    rivals = [(other, apart) for other in others if (apart := best.apart(other))]
    leader = best.fits[0]
    bits = information_bits(evidence.samples) - max(one.choice_bits for one in best.fits)
    needed = math.log2(max(tried, 2)) + MARGIN_BITS
    asks = [_settling(*apart, evidence) for _, apart in rivals]
    unmet = _unmet(leader.draft.asks, evidence)
    asks += [Next(ask, leader.draft.clears, needed=True) for ask in sorted(unmet)]
    values = {sample.typed.value for sample in evidence.samples if sample.typed.value}
    if len(values) < LEAST_VALUES:
        few = (
            f"{len(values)} of the {LEAST_VALUES} different values came that have to agree, not counting zero"
        )
        asks.append(Next(Ask.ANY, few, needed=True))
    elif bits < needed:
        finding = f"the digits say {max(bits, 0):.0f} bits and {needed:.0f} are needed against luck"
        asks.append(Next(Ask.DIGITS, finding, needed=True))
    asks = list({(one.ask, one.why): one for one in asks}.values())
    reason = asks[0].why if asks else ""
    if not reason and not same_in_every_cut(leader, evidence):
        reason = "it reads the same bytes otherwise where they come one by one"
    frames = recorded(leader, channel, whole)
    if not reason and sum(bool(one.shows) for one in frames) < len(evidence.samples):
        reason = "it is not read amid what comes over other channels"
    evidence_shown = shown(leader, evidence)
    widening = _widening(evidence, zeros=all(map(_zero_before, evidence_shown)))
    widening += _repeating(leader, evidence)
    cautions = (*(one.why for one in widening), *_unchecked(leader, evidence))
    settings = with_request(leader.decoder, leader.draft.settings, whole.request)
    proposal = Proposal(leader.kind, settings, channel, bits, needed, cautions, frames)
    listed = [
        Candidates(len(one.fits), one.fits[0].kind, one.fits[0].draft.settings, _apart_text(best, one))
        for one in (best, *others)
    ]
    return Outlook(
        accepted=None if reason else proposal,
        reason=reason,
        leading=proposal,
        candidates=sum(len(one.fits) for one in classes),
        classes=tuple(listed),
        tried=tried,
        shown=evidence_shown,
        conflict=None,
        next_measurements=(*asks, *(one for one in widening if one.ask not in {ask.ask for ask in asks})),
    )


def _unmet(asks: frozenset[Ask], evidence: Evidence) -> frozenset[Ask]:
    return asks - _met(evidence) - evidence.never


def _met(evidence: Evidence) -> frozenset[Ask]:
    typed = [sample.typed for sample in evidence.samples]
    met = {Ask.NEGATIVE} if any(one.negative and one.whole for one in typed) else set()
    met |= {Ask.POSITIVE} if any(not one.negative and one.whole for one in typed) else set()
    met |= {Ask.UNIT} if len({one.unit or one.scale for one in typed} - {None}) > 1 else set()
    met |= {Ask.SAME} if len(set(map(_value, typed))) < len(typed) else set()
    met |= {Ask.LONGER} if len({len(one.digits.partition(".")[0]) for one in typed}) > 1 else set()
    return frozenset(met)


def _value(typed: Typed) -> _Value:
    return typed.value, typed.unit or typed.scale


def _zero_before(one: Shown) -> bool:
    """Whether a zero that is no digit of the number stands right before it: a longer number could need its place."""
    return bool(one.number) and one.frame[: one.number[0]].endswith(b"0")


def _widening(evidence: Evidence, *, zeros: bool) -> list[Next]:
    words = {
        Ask.NEGATIVE: "no negative value was measured: what would be its sign is refused",
        Ask.UNIT: "one unit was measured: a frame that names another is refused",
        Ask.LONGER: "all numbers had as many digits before the point: longer ones may be refused",
    }
    met = _met(evidence)
    if zeros:
        words[Ask.LONGER] = "zeros stood before every number: one that is longer is refused"
        met -= {Ask.LONGER}
    return [Next(ask, why, needed=False) for ask, why in words.items() if ask not in met | evidence.never]


def _repeating(leader: Fitting, evidence: Evidence) -> list[Next]:
    """Ask for the same value twice where that shows what is behind bytes that nothing reads."""
    if Ask.SAME in _met(evidence) or len(set(loose(leader, evidence))) == 1:
        return []
    why = (
        "bytes that nothing reads change: the same value twice shows whether they follow it, as a check would"
    )
    return [Next(Ask.SAME, why, needed=False)]


def _unchecked(leader: Fitting, evidence: Evidence) -> list[str]:
    """Say where bytes that nothing reads were the same whenever a value came again, and only then."""
    by_value: dict[_Value, set[bytes]] = {}
    for sample, each in zip(evidence.samples, loose(leader, evidence), strict=True):
        by_value.setdefault(_value(sample.typed), set()).add(each)
    follow = all(len(each) == 1 for each in by_value.values()) and len(set.union(*by_value.values())) > 1
    if Ask.SAME not in _met(evidence) or not follow:
        return []
    return [
        "bytes that nothing reads follow the value: if they are a check of an unknown kind, nobody makes it"
    ]


def _settling(one: Reads, other: Reads, evidence: Evidence) -> Next:
    """Name what would tell two readings of a frame apart: nothing that was measured, or that the gauge can't show."""
    assert one and other
    (a, a_unit), (b, b_unit) = one, other
    both = f"one reading of a frame gives {a} {a_unit}".rstrip() + f", another {b} {b_unit}".rstrip()
    ways = [Ask.UNIT] if a_unit != b_unit else []
    ways += [Ask.NEGATIVE, Ask.POSITIVE] if a.startswith("-") != b.startswith("-") else []
    ways += [Ask.LONGER] if len(a.lstrip("-")) != len(b.lstrip("-")) else []
    done = _met(evidence) | evidence.never
    ask = next((each for each in ways if each not in done), Ask.DIGITS)
    return Next(ask, f"{both}: {ask} tells which", needed=True)


def _apart_text(best: _Class, other: _Class) -> str:
    if best is other:
        return ""
    if apart := best.apart(other):
        a, b = (" ".join(filter(None, one or ())) for one in apart)
        return f"reads {b} where the leading one reads {a}"
    return "refuses other frames than the leading one"
