"""An outlook as a person reads it."""

from __future__ import annotations

from collections.abc import Iterator

from gaugepost.teach import Ask, Outlook

WORDS = """\
  12.345 mm        what the display shows for all that came since the last measurement
  never negative   (or unit, longer) the gauge can't show that: a measurement of it is no longer asked for
  drop 3           takes the third measurement back: what was typed is wrong, or more than its value came
  skip             what came since the last measurement belongs to none: the button was pressed once too often
  ask              asks a gauge that has a --request, to see what comes
  help             these words
  an empty line    ends; what was found so far is told
"""
"""What may be typed while a gauge is taught."""

_MOST_CLASSES = 4


def as_lines(outlook: Outlook) -> Iterator[str]:
    """Yield what is known: the evidence, what still fits, what to measure next, or the description."""
    for one in outlook.shown:
        frame, marks = one.lines()
        yield f"  {one.sample}. {frame}"
        yield f"     {marks}".rstrip()
        yield f"     shows {one.typed}, read as {one.reads}"
    if outlook.shown:
        yield "     (n: bytes that the number hangs on, u: the unit)"
    if outlook.accepted is not None:
        found = outlook.accepted
        bits, needed = found.bits, found.needed_bits
        yield f"decided: {found.kind}; the digits say {bits:.0f} bits, {needed:.0f} are needed against luck"
        yield from (f"  {line}" for line in found.description().splitlines())
        yield from (f"  note: {each}" for each in found.cautions)
        return
    if outlook.conflict is not None:
        yield f"conflict: {outlook.conflict}"
        yield f"  take it back: drop {outlook.conflict.sample}; then measure again, and type what the display shows"
        return
    yield f"not decided yet: {outlook.reason}"
    if not outlook.tried:
        return
    many = f"{outlook.candidates} description{'' if outlook.candidates == 1 else 's'}"
    yield f"  {many} of {outlook.tried} readings tried fit what was measured"
    for each in outlook.classes[1:_MOST_CLASSES]:
        yield f"    {each.count} of them: {each.kind}, {each.reads}"
    if len(outlook.classes) > _MOST_CLASSES:
        yield f"    and {len(outlook.classes) - _MOST_CLASSES} more kinds of them"
    for ask in outlook.next_measurements:
        why = "" if ask.why == outlook.reason else f": {ask.why}"
        gain = "to know more" if ask.ask is Ask.SAME else "to have more accepted"
        yield f"  measure {ask.ask}{why}" if ask.needed else f"  or {ask.ask}, {gain}{why}"
