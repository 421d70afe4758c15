"""Who may ask: this computer's own programs, and no page from elsewhere."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from gaugepost.service.door import guard
from tests.service.at_work import at_work

pytestmark = pytest.mark.asyncio
JSON = {"Content-Type": "application/json"}


async def test_names_of_this_computer_are_answered(tmp_path: Path) -> None:
    """Whatever this computer calls itself over loopback is answered."""
    async with at_work(tmp_path) as station:
        for host in ("127.0.0.1:8620", "localhost", "LOCALHOST:1", "127.8.9.10", "[::1]:8620"):
            assert (await station.http.get("/v1", headers={"Host": host})).status_code == 200, host


async def test_a_rebound_name_is_refused(tmp_path: Path) -> None:
    """A page whose name was pointed at 127.0.0.1 gets nothing, not even to look (RFC 9110, 15.5.20: 421)."""
    hosts = [
        "rebound.example", "127.0.0.1.rebound.example", "localhost.rebound.example", "10.0.0.7", "bench-1:8620",
        "127.0.0.1@rebound.example", "127.0.0.1:", "[::2]", "",
    ]  # fmt: skip
    async with at_work(tmp_path) as station:
        for host in hosts:
            answer = await station.http.get("/v1/station", headers={"Host": host})
            assert answer.status_code == 421, host
            assert answer.headers["content-type"] == "application/problem+json"
            assert "north-bench" not in answer.text


async def test_pages_from_elsewhere_are_refused(tmp_path: Path) -> None:
    """A page of another origin can neither look nor command, though the browser sends it to the right address."""
    async with at_work(tmp_path) as station:
        for origin in ("http://shop.example", "https://127.0.0.1", "http://127.0.0.1:1", "null"):
            for method in ("GET", "PUT"):
                answer = await station.http.request(
                    method, "/v1/tags", json={"lot": "L1"}, headers={"Origin": origin}
                )
                assert answer.status_code == 403, origin
        assert station.running.recorder.state.lot is None


async def test_our_own_page_may_command(tmp_path: Path) -> None:
    """A page that this service itself would serve is no stranger."""
    async with at_work(tmp_path) as station:
        answer = await station.http.put("/v1/tags", json={"lot": "L1"}, headers={"Origin": station.address})
        assert answer.status_code == 200, answer.text


async def test_every_answer_tells_browsers_what_it_is_not(tmp_path: Path) -> None:
    """Whatever is answered, a refusal too, no browser takes it for a page, frames it, keeps it or tells of it.

    Source: OWASP REST Security Cheat Sheet, security headers.
    """
    async with at_work(tmp_path) as station:
        asked = [
            ("GET", "/v1/station", {}),
            ("GET", "/v1/nothing", {}),
            ("DELETE", "/v1/station", {}),
            ("PUT", "/v1/tags", {"Content-Type": "text/plain"}),
            ("PUT", "/v1/tags", {"Sec-Fetch-Site": "cross-site"}),
            ("GET", "/v1/station", {"Host": "rebound.example"}),
        ]
        statuses = []
        for method, path, headers in asked:
            answer = await station.http.request(method, path, headers=headers)
            statuses.append(answer.status_code)
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["cache-control"] == "no-store"
            assert answer.headers["referrer-policy"] == "no-referrer"
            assert answer.headers["cross-origin-resource-policy"] == "same-origin"
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
        assert statuses == [200, 404, 405, 415, 403, 421]


async def test_what_an_address_takes(tmp_path: Path) -> None:
    """A method that nothing takes is answered with those that something does, whatever it brings (RFC 9110, 15.5.6)."""
    async with at_work(tmp_path) as station:
        for method, path, wanted in (
            ("PATCH", "/v1/people", "GET, POST"),
            ("POST", "/v1/people/M2", "PATCH, DELETE"),
            ("POST", "/v1/gauges/bore-38", "GET"),
            ("TRACE", "/v1/tags", "PUT"),
        ):
            answer = await station.http.request(method, path, content=b"x")
            assert (answer.status_code, answer.headers["allow"]) == (405, wanted), path


async def test_a_link_from_elsewhere_is_followed(tmp_path: Path) -> None:
    """A link to the service works from any page; only what such a page has the browser load is refused."""
    async with at_work(tmp_path) as station:
        for mode, wanted in (("navigate", 200), ("no-cors", 403), ("cors", 403)):
            headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": mode}
            assert (await station.http.get("/v1", headers=headers)).status_code == wanted, mode


async def test_a_form_is_no_command(tmp_path: Path) -> None:
    """What a form on any page could post without asking is refused: its type is not JSON."""
    forms = ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""]
    async with at_work(tmp_path) as station:
        for kind in forms:
            headers = {"Content-Type": kind} if kind else {}
            answer = await station.http.put("/v1/tags", content=b'{"lot": "L1"}', headers=headers)
            assert answer.status_code == 415, kind
            assert "application/json" in answer.json()["hint"]
        assert station.running.recorder.state.lot is None


async def test_a_charset_beside_the_type_is_fine(tmp_path: Path) -> None:
    """JSON is JSON with a parameter too."""
    async with at_work(tmp_path) as station:
        headers = {"Content-Type": "Application/JSON; charset=utf-8"}
        answer = await station.http.put("/v1/tags", content=b'{"lot": "L1"}', headers=headers)
        assert answer.status_code == 200, answer.text


@pytest.mark.parametrize("chunked", [False, True])
async def test_a_body_has_its_bound(chunked: bool, tmp_path: Path) -> None:
    """A body of 64 KiB is read; one byte more is not, whether or not its length was said before."""
    async with at_work(tmp_path) as station:
        for size, wanted in ((guard.MAX_BODY_BYTES, 200), (guard.MAX_BODY_BYTES + 1, 413)):
            body = b'{"lot": "L1"' + b" " * (size - 13) + b"}"
            assert len(body) == size
            content = _pieces(body) if chunked else body
            answer = await station.http.put("/v1/tags", content=content, headers=JSON)
            assert answer.status_code == wanted, answer.text


async def test_a_body_that_never_ends_is_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A client that promises a body and sends none is answered, not waited for."""
    monkeypatch.setattr(guard, "BODY_S", 0.05)
    async with at_work(tmp_path) as station:
        answer = await station.http.put("/v1/tags", content=_stuck(), headers=JSON)
        assert answer.status_code == 408


async def test_what_is_no_command_is_a_problem(tmp_path: Path) -> None:
    """Any body at all is answered as problem details, never by a failure of ours."""
    bodies = [b"[" * 60_000, b'{"lot": "\xff"}', b"{", b"", b"7", b'"lot"', b"null", b"[]", b'{"lot": NaN}']
    async with at_work(tmp_path) as station:
        for body in bodies:
            answer = await station.http.put("/v1/tags", content=body, headers=JSON)
            assert answer.status_code in (400, 422), body
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["detail"]


async def _pieces(body: bytes) -> AsyncIterator[bytes]:
    for at in range(0, len(body), 10_000):
        yield body[at : at + 10_000]


async def _stuck() -> AsyncIterator[bytes]:
    yield b'{"lot":'
    await asyncio.sleep(0.5)
    yield b'"L1"}'
