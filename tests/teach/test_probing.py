"""Probing a line's settings: right or undecided, whatever a gauge sends and however it is set."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.contract.probing import Line
from gaugepost.teach.probing import BAUDS, Heard, Judgement, judge
from tests.teach.uart import received, sent

MOST_MEASUREMENTS = 40
NUMBERS = st.decimals(-999, 999, places=3, allow_nan=False, allow_infinity=False)
TEXT_FORMS = ("{:+09.3f}\r", "{:+.3f} mm\r\n", "01A{:+011.4f}\r", "\x02{:8.3f} in\x03", "N;{:.2f};OK\r\n")
LINES = st.builds(
    Line,
    st.sampled_from([*BAUDS, 300, 600, 7200, 14400, 28800, 230400]),
    st.sampled_from([7, 8]),
    st.sampled_from(["none", "even", "odd"]),
)


@dataclass(frozen=True)
class Gauge:
    """A gauge at the far end of a line, and the receiver at the near end."""

    line: Line
    frames: tuple[bytes, ...]
    gaps: tuple[int, ...]
    drift_ppm: int
    resumes: bool
    marks: bool

    def measured(self, number: int, line: Line) -> Heard:
        """What comes under a setting when the gauge sends once."""
        wire = sent(self.frames[number % len(self.frames)], self.line, self.gaps, self.drift_ppm)
        return Heard(line, *received(wire, line, resumes=self.resumes, marks=self.marks))

    def is_read_by(self, line: Line) -> bool:
        """Whether every byte of every frame comes undamaged, and as it was sent, under a setting."""
        kept = (1 << self.line.bits) - 1
        return all(
            self.measured(number, line) == Heard(line, bytes(byte & kept for byte in frame))
            for number, frame in enumerate(self.frames)
        )


def probed(measured: Callable[[int, Line], Heard]) -> tuple[Judgement, list[Heard]]:
    """Listen as the judgement says, until it says no more."""
    heard: list[Heard] = []
    while (judgement := judge(heard)).next is not None:
        assert len(heard) < MOST_MEASUREMENTS, "there is no end to it"
        heard.append(measured(len(heard), judgement.next))
    return judgement, heard


def gauges(
    frames: st.SearchStrategy[bytes], lines: st.SearchStrategy[Line] = LINES
) -> st.SearchStrategy[Gauge]:
    """Gauges that send such frames."""
    return st.builds(
        Gauge,
        lines,
        st.lists(frames, min_size=1, max_size=6).map(tuple),
        st.lists(st.sampled_from([0, 0, 0, 3, 10, 25]), min_size=1, max_size=5).map(tuple),
        st.integers(-15_000, 15_000),
        st.booleans(),
        st.sampled_from([True, True, True, False]),
    )


def texts(form: str) -> st.SearchStrategy[bytes]:
    """Frames of text."""
    return NUMBERS.map(lambda number: form.format(number).encode())


ANY_TEXT = st.sampled_from(TEXT_FORMS).flatmap(texts)
BINARY = st.binary(min_size=1, max_size=24)


@settings(deadline=None, max_examples=150)
@given(gauges(ANY_TEXT | BINARY))
def test_what_is_found_reads_every_byte(gauge: Gauge) -> None:
    """A setting that is found reads every byte as it was sent; everything else is undecided, with the reason."""
    judgement, _ = probed(gauge.measured)
    if judgement.found is None:
        assert judgement.reason
    else:
        assert gauge.is_read_by(judgement.found), judgement.found


@pytest.mark.attack
@settings(deadline=None, max_examples=1200)
@given(gauges(ANY_TEXT | BINARY))
def test_what_is_found_reads_every_byte_of_thousands(gauge: Gauge) -> None:
    """The same, for thousands of gauges."""
    judgement, _ = probed(gauge.measured)
    assert judgement.found is None or gauge.is_read_by(judgement.found), judgement.found


@pytest.mark.parametrize(
    "line", [Line(9600), Line(4800, 7, "even"), Line(2400, 7, "odd"), Line(115200)], ids=str
)
def test_the_usual_ones_are_found(line: Line) -> None:
    """Text at a usual setting is not only never misread but found, within a dozen measurements."""
    frames = tuple(TEXT_FORMS[1].format(number).encode() for number in (12.345, -7.891, 0.268, 40.763))
    for resumes in (False, True):
        gauge = Gauge(line, frames, (0, 3), 4000, resumes, True)
        judgement, heard = probed(gauge.measured)
        assert judgement.found == line
        assert len(heard) <= 12


@pytest.mark.parametrize("line", [Line(9600, 8, "even"), Line(4800, 8, "odd"), Line(1200, 7)], ids=str)
def test_longer_and_shorter_characters_are_found(line: Line) -> None:
    """Where bytes take another time than at 8 bits without parity, that is found too, at some of the speeds."""
    frames = tuple(TEXT_FORMS[1].format(number).encode() for number in (12.345, -7.891, 0.268, 40.763))
    judgement, _ = probed(Gauge(line, frames, (25,), 0, False, True).measured)
    assert judgement.found == line, judgement.reason


def test_a_port_without_a_line_is_told() -> None:
    """Where bytes come alike whatever is set, nothing is found, and that is the reason."""
    judgement, heard = probed(lambda number, line: Heard(line, b"+0012.345\r\n+7.89"))
    assert judgement.found is None
    assert "does not tell how it is set" in judgement.reason
    assert len(heard) == len(BAUDS)


def test_a_silent_gauge_is_told() -> None:
    """A gauge that never sends ends it, with where to look."""
    judgement, heard = probed(lambda number, line: Heard(line, b""))
    assert judgement.found is None
    assert "nothing came at all" in judgement.reason
    assert len(heard) <= MOST_MEASUREMENTS


def test_bytes_that_are_no_text_are_never_certain() -> None:
    """A sender of other bytes whose pauses make it fit at half its speed is not taken for one of half its speed."""
    frames = tuple(bytes(range(start, start + 60, 3)) for start in (1, 2, 40, 64))
    gauge = Gauge(Line(4800, 7), frames, (3, 10), 0, False, True)
    judgement, _ = probed(gauge.measured)
    assert judgement.found is None
