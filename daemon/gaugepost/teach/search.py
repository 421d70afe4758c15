"""The search for a gauge's description: drafts from every decoder that has some, and what of them stands."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from gaugepost.contract import Chunk, Decoder, Indication, Temperature
from gaugepost.contract.capture import Captured
from gaugepost.contract.teaching import Ask, Evidence, Proposes, all_chunks
from gaugepost.teach.judging import (
    Fitting,
    Reads,
    fitting,
    information_bits,
    made,
    probes,
    read,
    reads,
    said,
    same_in_every_cut,
)
from gaugepost.teach.outlook import Candidates, Conflict, Next, Outlook, Proposal
from gaugepost.teach.showing import shown

MARGIN_BITS = 20.0
"""How much more the digits must say than the choice among all that was tried: a million to one against luck."""
LEAST_VALUES = 3
"""Different values other than zero that have to agree."""
MOST_DRAFTS = 24
"""Drafts of a decoder that are held to the evidence."""
MOST_BYTES = 64 * 1024
"""Bytes of evidence that are searched."""


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


def search(evidence: Evidence, decoders: Mapping[str, type[Decoder]]) -> Outlook:
    """Return what can be said of the gauge, under two seconds for six samples of 4 KiB.

    `decoders` are those to ask, by the kind a station file names them with; those that don't propose are passed over.
    Call it again with more samples: it keeps nothing.
    """
    if not evidence.samples:
        return _nothing("nothing was measured yet", 0, Ask.ANY)
    if sum(len(chunk.data) for chunk in all_chunks(evidence)) > MOST_BYTES:
        return _nothing(
            f"more than {MOST_BYTES // 1024} KiB came: begin again, and measure without pauses", 0
        )
    if silent := [at for at, one in enumerate(evidence.samples, 1) if not any(c.data for c in one.chunks)]:
        return _nothing(f"nothing came with sample {silent[0]}", 0, Ask.RETYPE)
    outlook = _without_conflicts(evidence, decoders)
    if outlook.candidates or len(evidence.samples) <= LEAST_VALUES:
        return outlook
    return _with_one_left_out(evidence, decoders, outlook)


def _nothing(reason: str, tried: int, ask: Ask | None = None, conflict: Conflict | None = None) -> Outlook:
    asked = (Next(ask, reason, needed=True),) if ask else ()
    return Outlook(None, reason, None, 0, (), tried, (), conflict, asked)


def _without_conflicts(evidence: Evidence, decoders: Mapping[str, type[Decoder]]) -> Outlook:
    fits, tried = list[Fitting](), 0
    for kind, decoder in decoders.items():
        asked: object = decoder
        if isinstance(asked, Proposes):
            proposed = asked.propose(evidence)
            tried += proposed.tried
            drafts = proposed.drafts[:MOST_DRAFTS]
            fits += [one for draft in drafts if (one := fitting(kind, decoder, draft, evidence))]
    if not fits:
        reason = "no description that can be written here reads every sample as it was typed"
        return _nothing(reason, tried, Ask.ANY)
    complete = any(chunk.complete for chunk in all_chunks(evidence))
    tries = probes(fits, complete)
    alike: dict[tuple[Reads, ...], list[Fitting]] = {}
    for one in fits:
        alike.setdefault(reads(one, tries), []).append(one)
    classes = [_Class(tuple(same), key) for key, same in alike.items()]
    return _decided(evidence, classes, tried)


def _decided(evidence: Evidence, classes: list[_Class], tried: int) -> Outlook:
    def rank(one: _Class) -> tuple[int, int, int]:
        rivals = sum(one.apart(other) is not None for other in classes)
        return rivals, len(_unmet(one.fits[0].draft.asks, evidence)), one.accepts

    best, *others = sorted(classes, key=rank)
    rivals = [(other, apart) for other in others if (apart := best.apart(other))]
    leader = best.fits[0]
    bits = information_bits(evidence.samples) - max(one.choice_bits for one in best.fits)
    needed = math.log2(max(tried, 2)) + MARGIN_BITS
    asks = [_settling(*apart) for _, apart in rivals]
    unmet = _unmet(leader.draft.asks, evidence)
    asks += [Next(ask, leader.draft.clears, needed=True) for ask in sorted(unmet)]
    values = {sample.typed.value for sample in evidence.samples if sample.typed.value}
    if len(values) < LEAST_VALUES:
        asks.append(Next(Ask.ANY, f"{len(values)} different values are too few to agree on", needed=True))
    elif bits < needed:
        finding = f"the digits say {max(bits, 0):.0f} bits and {needed:.0f} are needed against luck"
        asks.append(Next(Ask.DIGITS, finding, needed=True))
    asks = list({(one.ask, one.why): one for one in asks}.values())
    reason = asks[0].why if asks else ""
    if not reason and not same_in_every_cut(leader, evidence):
        reason = "it reads the same bytes otherwise where they come one by one"
    widening = _widening(evidence)
    frames = _frames(leader, evidence)
    refuses = tuple(one.why for one in widening)
    proposal = Proposal(leader.kind, leader.draft.settings, bits, needed, refuses, frames)
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
        shown=shown(leader, evidence),
        conflict=None,
        next_measurements=(*asks, *(one for one in widening if one.ask not in {ask.ask for ask in asks})),
    )


def _unmet(asks: frozenset[Ask], evidence: Evidence) -> frozenset[Ask]:
    return asks - _met(evidence) - evidence.never


def _met(evidence: Evidence) -> frozenset[Ask]:
    typed = [sample.typed for sample in evidence.samples]
    met = {Ask.NEGATIVE} if any(one.negative and one.whole for one in typed) else set()
    met |= {Ask.UNIT} if len({one.unit or one.scale for one in typed} - {None}) > 1 else set()
    met |= {Ask.SAME} if len({(one.value, one.unit) for one in typed}) < len(typed) else set()
    met |= {Ask.LONGER} if len({len(one.digits.partition(".")[0]) for one in typed}) > 1 else set()
    return frozenset(met)


def _widening(evidence: Evidence) -> list[Next]:
    words = {
        Ask.NEGATIVE: "no negative value was measured: what would be its sign is refused",
        Ask.UNIT: "one unit was measured: a frame that names another is refused",
        Ask.LONGER: "all numbers had as many digits before the point: longer ones may be refused",
    }
    met = _met(evidence) | evidence.never
    return [Next(ask, why, needed=False) for ask, why in words.items() if ask not in met]


def _settling(one: Reads, other: Reads) -> Next:
    """Name the measurement that would tell two readings of a frame apart."""
    assert one and other
    (a, a_unit), (b, b_unit) = one, other
    both = f"one reading of a frame gives {a} {a_unit}".rstrip() + f", another {b} {b_unit}".rstrip()
    if a_unit != b_unit:
        ask = Ask.UNIT
    elif a.startswith("-") != b.startswith("-"):
        ask = Ask.NEGATIVE
    else:
        ask = Ask.LONGER if len(a.lstrip("-")) != len(b.lstrip("-")) else Ask.DIGITS
    return Next(ask, f"{both}: {ask} tells which", needed=True)


def _apart_text(best: _Class, other: _Class) -> str:
    if best is other:
        return ""
    if apart := best.apart(other):
        a, b = (" ".join(filter(None, one or ())) for one in apart)
        return f"reads {b} where the leading one reads {a}"
    return "refuses other frames than the leading one"


def _frames(one: Fitting, evidence: Evidence) -> tuple[tuple[Captured, Indication | Temperature], ...]:
    found, first = [], None
    for sample, event in zip(evidence.samples, one.matched, strict=True):
        chunk = next((one for one in sample.chunks if one.data), sample.chunks[0])
        first = chunk.arrived.clock_ms if first is None else first
        at_ms = max(0, chunk.arrived.clock_ms - first)
        found.append((Captured(event.raw, at_ms, chunk.channel, chunk.complete), event))
    return tuple(found)


def _with_one_left_out(evidence: Evidence, decoders: Mapping[str, type[Decoder]], all_in: Outlook) -> Outlook:
    """Name the sample that does not fit, where all the others agree beyond luck and no other sample could be it."""
    agreed: list[tuple[int, Outlook]] = []
    for at in range(len(evidence.samples)):
        outlook = _without_conflicts(_left_out(evidence, at), decoders)
        if outlook.accepted or (outlook.candidates and outlook.leading and _sure(outlook.leading)):
            agreed.append((at, outlook))
    if len(agreed) != 1:
        return all_in
    ((at, outlook),) = agreed
    read_there = _read_there(outlook, decoders, evidence, at)
    others = tuple(number for number in range(1, len(evidence.samples) + 1) if number != at + 1)
    conflict = Conflict(at + 1, others, str(evidence.samples[at].typed), read_there)
    return replace(
        _nothing(str(conflict), outlook.tried, Ask.RETYPE, conflict),
        leading=outlook.leading,
        candidates=outlook.candidates,
        classes=outlook.classes,
    )


def _sure(proposal: Proposal) -> bool:
    return proposal.bits >= proposal.needed_bits


def _left_out(evidence: Evidence, at: int) -> Evidence:
    samples, after = list(evidence.samples), evidence.after
    out = samples.pop(at)
    loose: tuple[Chunk, ...] = (*out.before, *out.chunks)
    if at < len(samples):
        samples[at] = replace(samples[at], before=(*loose, *samples[at].before))
    else:
        after = (*loose, *after)
    return replace(evidence, samples=tuple(samples), after=after)


def _read_there(outlook: Outlook, decoders: Mapping[str, type[Decoder]], evidence: Evidence, at: int) -> str:
    assert outlook.leading
    decoder = made(decoders[outlook.leading.kind], outlook.leading.settings)
    events = read(decoder, evidence)[at] if decoder else []
    seen = [one for one in map(said, events) if one]
    return " ".join(filter(None, seen[-1])) if seen else ""
