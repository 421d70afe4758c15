"""A lesson as documents. Pure."""

from __future__ import annotations

from dataclasses import asdict

from gaugepost.core.publication import rfc3339
from gaugepost.service.views import Document
from gaugepost.shell.lessons.lessons import OpenLesson, Shown
from gaugepost.teach import Sample
from gaugepost.teach.telling import characters


def brief(lesson: OpenLesson) -> Document:
    """Return which lesson it is, and how it stands."""
    teaching, found = lesson.teaching, lesson.searching.document
    return {
        "lesson": lesson.id,
        "link": lesson.wish.link,
        "given": None
        if lesson.wish.given is None
        else {"kind": lesson.wish.given.kind, "settings": dict(lesson.wish.given.settings)},
        "description": teaching.description,
        "problem": teaching.problem or None,
        "request": teaching.request or None,
        "probing": lesson.typing is not None,
        "line": None if lesson.line is None else asdict(lesson.line),
        "measurements": len(teaching.lesson.samples),
        "searching": lesson.searching.going,
        "decided": None if found is None else found["decided"],
        "ends_in_s": max(0, round(lesson.left_s)),
    }


def whole(lesson: OpenLesson, after: int) -> Document:
    """Return the same with what was typed, and what is to be shown beyond line `after`."""
    teaching, lines = lesson.teaching, lesson.lines(after)
    return {
        **brief(lesson),
        "measured": [_measured(number, one) for number, one in enumerate(teaching.lesson.samples, 1)],
        "waiting_bytes": sum(len(chunk.data) for chunk in teaching.lesson.heard),
        "passed_over_bytes": teaching.lesson.passed_over,
        "lines": [_line(line) for line in lines],
        "next": lines[-1].number if lines else max(after, lesson.last),
    }


def _measured(number: int, sample: Sample) -> Document:
    return {
        "measurement": number,
        "shows": str(sample.typed),
        "bytes": sum(len(chunk.data) for chunk in sample.chunks),
    }


def _line(line: Shown) -> Document:
    came = line.came
    if came is None:
        return {"number": line.number, "said": line.said}
    return {
        "number": line.number,
        "arrived_at": rfc3339(came.utc_ms),
        "measurement": came.measurement,
        "channel": came.channel or None,
        "text": characters(came.data),
        "hex": came.data.hex(" ").upper(),
        "packet": came.packet,
        "problem": came.fault or None,
    }
