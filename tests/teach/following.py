"""A person who does what teaching advises: measures what is asked for next, or says that the gauge can't show it."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from gaugepost.contract import Chunk
from gaugepost.teach import Ask, Evidence, Outlook, Sample, read_typed
from tests.teach.unknown_gauges import Gauge, Shown, chunks, shown, typed

Search = Callable[[Evidence], Outlook]
FIRST, MOST = 3, 6


@dataclass
class Person:
    """Measures with `one`; what it showed so far is in `shown`. A `careless` one types wrong at times, amid noise."""

    one: Gauge
    dice: random.Random
    careless: bool = False
    shown: list[Shown] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    never: frozenset[Ask] = frozenset()
    measured: int = 0
    loose: tuple[Chunk, ...] = ()
    """What came for a sample that was left out."""

    def measure(self, what: Shown) -> None:
        """Have the gauge show and send this, and type it."""
        what = replace(what, count=what.count // 10 * 10 + self.measured % 10)
        data, told = self.one.frame(what), what
        if self.careless and self.dice.random() < 0.1:
            junk = self.dice.choice([b"READY\r\n", b"T21.4\r", b"\x00\xff", self.dice.randbytes(9)])
            data = self.dice.choice([junk + data, data + junk])
        if self.careless and self.dice.random() < 0.05:
            told = replace(what, digits=what.digits ^ self.dice.randint(1, 7))
        sent = chunks(data, 5000 * self.measured, self.one.packets, self.dice)
        self.samples.append(Sample(read_typed(typed(told, self.dice)), sent, self.loose))
        self.shown.append(what)
        self.measured, self.loose = self.measured + 1, ()

    def anything(self) -> Shown:
        """Something else that it shows."""
        return shown(self.one, self.dice)

    def again(self, sample: int) -> None:
        """Leave out a sample, counted from 1, and measure another: it was said that it does not fit."""
        left = self.samples.pop(sample - 1)
        del self.shown[sample - 1]
        loose = (*left.before, *left.chunks)
        if sample <= len(self.samples):
            after = self.samples[sample - 1]
            self.samples[sample - 1] = replace(after, before=(*loose, *after.before))
        else:
            self.loose = loose
        self.measure(self.anything())

    def follow(self, ask: Ask) -> None:
        """Measure what is asked for; where the gauge can't show it, say so."""
        what = self.anything()
        if ask is Ask.NEGATIVE and not self.one.signed:
            self.never |= {ask}
        elif ask is Ask.NEGATIVE:
            self.measure(replace(what, negative=True))
        elif ask is Ask.UNIT and len(self.one.decimals) == 1:
            self.never |= {ask}
        elif ask is Ask.UNIT:
            had = {each.unit for each in self.shown}
            unit = next((each for each in self.one.decimals if each not in had), "in")
            self.measure(replace(what, unit=unit, decimals=self.one.decimals[unit]))
        elif ask is Ask.LONGER:
            longest = max(len(str(each.digits)) for each in self.shown)
            more = 10**longest * self.dice.randint(1, 9) + self.dice.randint(1, 10**longest - 1)
            if more > self.one.most:  # it has no more places: one that is shorter says as much
                more = self.dice.randint(1, 99) * (5 if self.one.most > 99_999 else 1)
            self.measure(replace(what, digits=more - more % (5 if self.one.most > 99_999 else 1)))
        else:
            self.measure(what)


def followed(person: Person, search: Search, most: int = MOST) -> Outlook:
    """Measure three things and then what the outlook asks for first, `most` in all at most; return where that leads."""
    for _ in range(FIRST):
        person.measure(person.anything())
    while True:
        outlook = search(Evidence(tuple(person.samples), never=person.never))
        needed = [each.ask for each in outlook.next_measurements if each.needed]
        if outlook.accepted or not needed or person.measured >= most:
            return outlook
        if outlook.conflict:
            person.again(outlook.conflict.sample)
        else:
            person.follow(needed[0])
