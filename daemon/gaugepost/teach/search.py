"""The search for a gauge's description: drafts from every decoder that has some, and what of them stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import combinations

from gaugepost.contract import Chunk, Decoder
from gaugepost.contract.teaching import Ask, Draft, Evidence, Proposes, all_chunks
from gaugepost.teach.channels import by_channel
from gaugepost.teach.deciding import LEAST_VALUES, decided
from gaugepost.teach.judging import Fitting, fitting, made, read, said
from gaugepost.teach.outlook import Candidates, Conflict, Next, Outlook, Proposal

MOST_DRAFTS = 24
"""Drafts of a decoder that are held to the evidence."""
MOST_BYTES = 64 * 1024
"""Bytes of evidence of a channel that are searched."""
MOST_CHANNELS = 24
"""Channels that are searched."""
MOST_FOR_TWO = 8
"""Samples among which two are sought that do not fit; among more, one: there are too many pairs."""
_Drafted = tuple[str, type[Decoder], Draft]
_Places = tuple[int, ...]
"""Places of samples, counted from 0, ascending."""


def search(evidence: Evidence, decoders: Mapping[str, type[Decoder]]) -> Outlook:
    """Return what can be said of the gauge, under two seconds for six samples of 4 KiB.

    `decoders` are those to ask, by the kind a station file names them with; those that don't propose are passed over.
    Call it again with more samples: it keeps nothing.
    """
    if not evidence.samples:
        return _nothing("nothing was measured yet", 0, Ask.ANY)
    if _most(all_chunks(evidence)) > MOST_BYTES:
        return _nothing(
            f"more than {MOST_BYTES // 1024} KiB came: begin again, and measure without pauses", 0
        )
    if silent := [at for at, one in enumerate(evidence.samples, 1) if not any(c.data for c in one.chunks)]:
        return _nothing(f"nothing came with sample {silent[0]}", 0, Ask.RETYPE)
    asked = _Asked(evidence, decoders)
    outlook = asked.outlook()
    if outlook.candidates or len(evidence.samples) <= LEAST_VALUES:
        return outlook
    return _with_some_left_out(evidence, asked, outlook)


def _most(chunks: Iterable[Chunk]) -> int:
    came: dict[str, int] = {}
    for chunk in chunks:
        came[chunk.channel] = came.get(chunk.channel, 0) + len(chunk.data)
    return max(came.values(), default=0)


def _nothing(reason: str, tried: int, ask: Ask | None = None, conflict: Conflict | None = None) -> Outlook:
    asked = (Next(ask, reason, needed=True),) if ask else ()
    return Outlook(None, reason, None, 0, (), tried, (), conflict, asked)


class _Asked:
    """Decoders that are asked what they propose, once for all samples and once for each choice without some."""

    def __init__(self, evidence: Evidence, decoders: Mapping[str, type[Decoder]]) -> None:
        self.decoders = decoders
        self._evidence = evidence
        self._known: dict[tuple[str, _Places], tuple[list[_Drafted], int]] = {}

    def outlook(self, out: _Places = ()) -> Outlook:
        """Return how things stand with all samples but those at `out`."""
        evidence = _left_out(self._evidence, out)
        heard = by_channel(evidence)
        if not heard:
            return _nothing("no channel sent something with every sample", 0, Ask.ANY)
        looked = {
            channel: self._fits(channel, part, out) for channel, part in list(heard.items())[:MOST_CHANNELS]
        }
        tried = sum(held for _, held in looked.values())
        outlooks = [
            decided(evidence, heard[channel], channel, fits, tried)
            for channel, (fits, _) in looked.items()
            if fits
        ]
        if not outlooks:
            reason = "no description that can be written here reads every sample as it was typed"
            return _nothing(reason, tried, Ask.ANY)
        return _together(outlooks)

    def _fits(self, channel: str, part: Evidence, out: _Places) -> tuple[list[Fitting], int]:
        """Return the drafts that fit every sample, and how many readings were tried to find them.

        Where none does, those are held to every sample that were drafted without one of them: laid beside all the
        others one sample may hide how they are made, and still be read by what is found without it.
        """
        drafts, tried = self._proposed(channel, part, out)
        fits = _fitting(drafts, part)
        if fits or out or len(part.samples) <= LEAST_VALUES:
            return fits, tried
        seen: dict[str, Fitting] = {}
        for at in range(len(part.samples)):
            drafts, held = self._proposed(channel, _left_out(part, (at,)), (at,))
            tried += held
            seen |= {repr((one.kind, one.draft.settings)): one for one in _fitting(drafts, part)}
        return list(seen.values()), tried

    def _proposed(self, channel: str, part: Evidence, out: _Places) -> tuple[list[_Drafted], int]:
        if (channel, out) not in self._known:
            drafts, tried = list[_Drafted](), 0
            for kind, decoder in self.decoders.items():
                asked: object = decoder
                if isinstance(asked, Proposes):
                    proposed = asked.propose(part)
                    tried += proposed.tried
                    drafts += [(kind, decoder, draft) for draft in proposed.drafts[:MOST_DRAFTS]]
            self._known[channel, out] = drafts, tried
        return self._known[channel, out]


def _fitting(drafts: Iterable[_Drafted], evidence: Evidence) -> list[Fitting]:
    held = (fitting(kind, decoder, draft, evidence) for kind, decoder, draft in drafts)
    return [one for one in held if one]


def _together(outlooks: list[Outlook]) -> Outlook:
    """Return one outlook of those of several channels: the decided one, or the one that is nearest to it."""

    def rank(one: Outlook) -> tuple[bool, int, float]:
        short = one.leading.needed_bits - one.leading.bits if one.leading else 0.0
        return one.accepted is None, sum(each.needed for each in one.next_measurements), short

    best, *others = sorted(outlooks, key=rank)
    elsewhere = tuple(
        Candidates(
            other.candidates, each.kind, each.settings, f"comes over channel {other.leading.channel} too"
        )
        for other in others
        if other.leading
        for each in other.classes[:1]
    )
    return replace(
        best,
        candidates=sum(one.candidates for one in outlooks),
        classes=(*best.classes, *elsewhere),
    )


def _with_some_left_out(evidence: Evidence, asked: _Asked, all_in: Outlook) -> Outlook:
    """Name a sample that does not fit, where all the others agree beyond luck and no other choice of samples would do.

    Where it takes two to be left out, the first of them is named; without it the other one will be.
    """
    agreed: list[tuple[_Places, Outlook]] = []
    two = LEAST_VALUES + 2 <= len(evidence.samples) <= MOST_FOR_TWO
    for count in (1, 2) if two else (1,):
        for out in combinations(range(len(evidence.samples)), count):
            outlook = asked.outlook(out)
            if outlook.accepted or (outlook.candidates and outlook.leading and _sure(outlook.leading)):
                agreed.append((out, outlook))
        if agreed:
            break
    if len(agreed) != 1:
        return all_in
    ((out, outlook),) = agreed
    at = out[0]
    read_there = _read_there(outlook, asked.decoders, evidence, at)
    if not read_there and (only := _only(evidence, out)):
        if len(out) > 1:
            return all_in
        why = f"sample {at + 1} is the only one with {only}, and does not tell alone what marks that"
        return replace(all_in, reason=why, next_measurements=(Next(only, why, needed=True),))
    others = tuple(number + 1 for number in range(len(evidence.samples)) if number not in out)
    conflict = Conflict(at + 1, others, str(evidence.samples[at].typed), read_there)
    return replace(
        _nothing(str(conflict), outlook.tried, Ask.RETYPE, conflict),
        leading=outlook.leading,
        candidates=outlook.candidates,
        classes=outlook.classes,
    )


def _only(evidence: Evidence, out: _Places) -> Ask | None:
    """What the samples at `out` have in common and no other shows, of sign and unit."""
    typed = [sample.typed for sample in evidence.samples]
    others = [one for at, one in enumerate(typed) if at not in out]
    if all(typed[at].negative for at in out) and not any(one.negative for one in others):
        return Ask.NEGATIVE
    unit = typed[out[0]].unit or typed[out[0]].scale
    alike = all((typed[at].unit or typed[at].scale) == unit for at in out)
    return Ask.UNIT if unit and alike and not any((one.unit or one.scale) == unit for one in others) else None


def _sure(proposal: Proposal) -> bool:
    return proposal.bits >= proposal.needed_bits


def _left_out(evidence: Evidence, out: _Places) -> Evidence:
    """Return the evidence as if nothing had been typed for the samples at `out`: what came with them still came."""
    samples, after = list(evidence.samples), evidence.after
    for at in reversed(out):
        left = samples.pop(at)
        loose: tuple[Chunk, ...] = (*left.before, *left.chunks)
        if at < len(samples):
            samples[at] = replace(samples[at], before=(*loose, *samples[at].before))
        else:
            after = (*loose, *after)
    return replace(evidence, samples=tuple(samples), after=after)


def _read_there(outlook: Outlook, decoders: Mapping[str, type[Decoder]], evidence: Evidence, at: int) -> str:
    assert outlook.leading
    decoder = made(decoders[outlook.leading.kind], outlook.leading.settings)
    events = read(decoder, evidence)[at] if decoder else []
    seen = [
        one for one in (said(event) for event in events if event.channel == outlook.leading.channel) if one
    ]
    return " ".join(filter(None, seen[-1])) if seen else ""
