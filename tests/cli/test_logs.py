"""Logs: lines that a person can read on a terminal, and a program elsewhere; libraries' warnings among them."""

from __future__ import annotations

import io
import json
import logging
import warnings
from collections.abc import Iterator

import pytest
import structlog

from gaugepost.edge.logs import set_up_logs


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    """Leave logging as it was."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    logging.captureWarnings(False)
    structlog.reset_defaults()
    root.handlers[:] = handlers
    root.setLevel(level)
    logging.getLogger("gaugepost").setLevel(logging.NOTSET)


def _breaks() -> None:
    raise RuntimeError("boom")


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_elsewhere_each_line_is_json() -> None:
    """Ours and a library's messages are JSON objects with level, time and words, one a line, traceback included."""
    out = io.StringIO()
    set_up_logs(out)
    structlog.get_logger("gaugepost.shell").info("link connected", link="bore-serial", width="Ø 38")
    logging.getLogger("uvicorn.error").warning("a library's %s", "word")
    logging.getLogger("uvicorn.error").info("not of interest")
    try:
        _breaks()
    except RuntimeError:
        structlog.get_logger("gaugepost.shell").exception("broken")
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        warnings.warn("old ways", DeprecationWarning, stacklevel=1)
    lines = [json.loads(line) for line in out.getvalue().splitlines()]
    assert [line["level"] for line in lines] == ["info", "warning", "error", "warning"]
    assert (lines[0]["event"], lines[0]["link"], lines[0]["width"]) == (
        "link connected",
        "bore-serial",
        "Ø 38",
    )
    assert lines[1]["event"] == "a library's word"
    assert "RuntimeError: boom" in lines[2]["exception"]
    assert "old ways" in lines[3]["event"]
    assert all(line["timestamp"].endswith("Z") for line in lines)


def test_on_a_terminal_they_are_for_eyes() -> None:
    """On a terminal the same is a line of words, and a traceback is the plain one."""
    out = _Terminal()
    set_up_logs(out)
    structlog.get_logger("gaugepost.shell").info("link connected", link="bore-serial")
    try:
        _breaks()
    except RuntimeError:
        structlog.get_logger("gaugepost.shell").exception("broken")
    text = out.getvalue()
    assert "link connected" in text
    assert "bore-serial" in text
    assert "Traceback (most recent call last):" in text
    assert not text.startswith("{")
