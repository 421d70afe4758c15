"""Proposes patterns for text: finds the digits that were typed, line by line, and has the lines laid side by side."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from gaugepost.contract.teaching import Draft, Drafts, Evidence, Sample, Typed
from gaugepost_adapters.decoders.proposing.laying import Found, laid

_RUN = re.compile(r"[0-9]+")
_ENDS = ("\r\n", "\n", "\r", "\x03")
_MOST_LINES = 200
_MOST_FIRST = 8


def propose(evidence: Evidence) -> Drafts:
    """Return patterns under which each sample has a frame with the digits typed."""
    drafts, tried = dict[str, Draft](), 1
    for end in _terminators(evidence):
        for start in ("\x02", ""):
            found = [_found(sample, end, start) for sample in evidence.samples]
            tried += sum(runs for _, runs in found)
            edges = {"terminator": end} | ({"start": start} if start else {})
            for chosen in _chosen([each for each, _ in found], evidence.samples):
                for settings, asks, clears in laid(chosen, [sample.typed for sample in evidence.samples]):
                    draft = Draft(edges | settings, None, asks, clears)
                    drafts.setdefault(repr(draft.settings), draft)
    return Drafts(tuple(drafts.values()), tried)


def _chosen(found: Sequence[Sequence[Found]], samples: Sequence[Sample]) -> Iterator[list[Found]]:
    """Yield for each place in the first sample the most alike of the others; whole numbers may lack a point."""
    for mark in (".", ",", ""):
        marked = [
            [one for one in each if one.mark == mark or (not one.mark and not sample.typed.decimals)]
            for each, sample in zip(found, samples, strict=True)
        ]
        if not all(marked) or (mark and not any(one.mark for each in marked for one in each)):
            continue
        for first in marked[0][:_MOST_FIRST]:
            yield [first, *(max(more, key=lambda one: _likeness(first, one)) for more in marked[1:])]


def _terminators(evidence: Evidence) -> list[str]:
    if all(chunk.complete for sample in evidence.samples for chunk in sample.chunks):
        return ["\r\n"]
    texts = [_text(sample) for sample in evidence.samples]
    last = {text[-1] for text in texts if text}
    own = [char for char in last if len(last) == 1 and not char.isalnum() and char not in "+-., "]
    ends = [end for end in dict.fromkeys([*_ENDS, *own]) if all(end in text for text in texts)]
    return [end for end in ends if end not in ("\r", "\n") or "\r\n" not in ends]


def _text(sample: Sample) -> str:
    return b"".join(chunk.data for chunk in sample.chunks).decode("latin-1")


def _lines(sample: Sample, end: str, start: str) -> Iterator[str]:
    channels: dict[str, list[str]] = {}
    whole: list[str] = []
    for chunk in sample.chunks:
        text = chunk.data.decode("latin-1")
        if chunk.complete:
            whole.append(text.removesuffix(end))
        else:
            channels.setdefault(chunk.channel, []).append(text)
    for parts in channels.values():
        whole += "".join(parts).split(end)[:-1]
    for line in dict.fromkeys(reversed(whole)):
        if not start:
            yield line
        elif start in line:
            yield line[line.rindex(start) + len(start) :]


def _found(sample: Sample, end: str, start: str) -> tuple[list[Found], int]:
    found, runs, forms = list[Found](), 0, _forms(sample.typed)
    for _, line in zip(range(_MOST_LINES), _lines(sample, end, start), strict=False):
        runs += len(forms) * len(_RUN.findall(line[:300]))
        for form, mark in forms:
            for at in form.finditer(line[:300]):
                one = Found(line, at.start(1), at.end(1), mark)
                minus = one.head.rstrip("0").rstrip(" ").endswith("-")
                if sample.typed.negative or not minus or not sample.typed.whole:
                    found.append(one)
    return found, runs


def _forms(typed: Typed) -> list[tuple[re.Pattern[str], str]]:
    """How the digits typed may stand in a frame, and with which decimal sign."""
    if not typed.decimals:
        return [(re.compile(rf"(?<![.,])({typed.digits})(?![0-9]|[.,][0-9])"), "")]
    whole, _, part = typed.digits.partition(".")
    forms = [(re.compile(rf"({whole}{re.escape(mark)}{part})(?![0-9])"), mark) for mark in ".,"]
    if whole == "0":
        forms += [(re.compile(rf"(?<![0-9])({re.escape(mark)}{part})(?![0-9])"), mark) for mark in ".,"]
    implied = typed.whole or "(?<=0)"
    return [*forms, (re.compile(rf"(?<![.,])({implied})(?![0-9]|[.,][0-9])"), "")]


def _likeness(one: Found, other: Found) -> int:
    heads = zip(one.head, other.head, strict=False)
    tails = zip(reversed(one.tail), reversed(other.tail), strict=False)
    return sum(a == b for a, b in [*heads, *tails]) - 2 * abs(len(one.tail) - len(other.tail))
