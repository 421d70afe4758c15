"""What answers mean: excerpts that can be shown to anyone, and waits as RFC 9110 has them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, strategies as st

from gaugepost_adapters.destinations.rest_push.answers import (
    EXCERPT,
    Later,
    Refused,
    Taken,
    TooLarge,
    excerpt,
    judge,
    retry_after_s,
)

NOW_S = datetime(1994, 11, 6, 8, 47, 37, tzinfo=UTC).timestamp()


def test_every_status_means_something() -> None:
    """Only 2xx takes, only 400, 413 and 422 are about the records; whatever else there is, they are kept."""
    meant = {status: judge(status, {}, b"because", now_s=NOW_S) for status in range(100, 1000)}
    assert {status for status, judgement in meant.items() if judgement == Taken()} == set(range(200, 300))
    about = {
        status: judgement for status, judgement in meant.items() if isinstance(judgement, Refused | TooLarge)
    }
    assert {status: type(judgement) for status, judgement in about.items()} == {
        400: Refused,
        413: TooLarge,
        422: Refused,
    }
    for status, judgement in about.items():
        assert judgement.answer.startswith(f"{status} ")
        assert judgement.answer.endswith(": because")
    later = {status: judgement for status, judgement in meant.items() if isinstance(judgement, Later)}
    assert len(later) == 900 - 100 - 3
    assert all(str(status) in judgement.finding and judgement.hint for status, judgement in later.items())


@pytest.mark.parametrize(
    "text", ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"]
)
def test_dates_in_every_form_of_the_standard(text: str) -> None:
    """The three examples of RFC 9110, 5.6.7, are one moment, 120 s after ours, and 60 s after the far side's clock."""
    assert retry_after_s({"retry-after": text}, now_s=NOW_S) == 120
    date = "Sun, 06 Nov 1994 08:48:37 GMT"
    assert retry_after_s({"retry-after": text, "date": date}, now_s=NOW_S - 1e6) == 60


@pytest.mark.parametrize(
    ("text", "waited"),
    [
        ("120", 120.0),  # RFC 9110, 10.2.3: the example
        (" 0 ", 0.0),
        ("999999999999999999", 1e18),
        ("9" * 5000, None),
        ("-5", None),
        ("1.5", None),
        ("٣", None),
        ("soon", None),
        ("", None),
        ("Sun, 06 Nov 1994 08:47:00 GMT", 0.0),
        ("Sun, 99 Nov 1994 08:47:00 GMT", None),
        ("Sun, 06 Nov 1994 08:48:37 +99999", None),
    ],
)
def test_seconds_and_nonsense(text: str, waited: float | None) -> None:
    """Whole seconds count, moments that are past ask for nothing, and what is neither is not there."""
    assert retry_after_s({"retry-after": text}, now_s=NOW_S) == waited


@pytest.mark.parametrize("status", [301, 401, 408, 409, 429, 500, 503])
def test_a_wait_comes_with_any_answer(status: int) -> None:
    """Whatever keeps the records may say for how long, and the person who looks is told."""
    judgement = judge(status, {"retry-after": "90"}, b"", now_s=NOW_S)
    assert isinstance(judgement, Later)
    assert judgement.retry_after_s == 90
    assert "90 s" in judgement.finding


def test_too_large_for_now_is_not_too_large() -> None:
    """A 413 that says when to come again is a passing condition (RFC 9110, 15.5.14): no record is set aside for it."""
    judgement = judge(413, {"retry-after": "30"}, b"busy", now_s=NOW_S)
    assert isinstance(judgement, Later)
    assert judgement.retry_after_s == 30


@given(st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), min_size=4), st.binary(), st.binary())
def test_no_excerpt_tells_a_secret(secret: str, before: bytes, after: bytes) -> None:
    """A far side that echoes what it was sent does not bring a token into status pages and logs."""
    body = before + b"|" + secret.encode() + b"|" + after
    assert f"|{secret}|" not in excerpt(body, [secret])
    assert len(excerpt(body, [secret])) <= EXCERPT


@given(st.binary(max_size=2000))
def test_excerpts_are_short_and_print(body: bytes) -> None:
    """Whatever bytes an answer holds, one short line of printable text is left of it."""
    text = excerpt(body)
    assert len(text) <= EXCERPT
    assert text.isprintable()
    assert text == text.strip()


def test_a_compressed_answer_is_not_shown() -> None:
    """An answer that is compressed all the same is left out rather than shown as noise."""
    judgement = judge(400, {"content-encoding": "br"}, b"\x8b\x02\x80", now_s=NOW_S)
    assert judgement == Refused("400 Bad Request")
