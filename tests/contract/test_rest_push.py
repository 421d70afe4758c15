"""JSON over HTTP against a real server on this computer: what goes out, and what each answer leads to."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Unreachable
from gaugepost.contract.kit.destinations import CHECKS, EPOCH, Check, FarSide, samples
from tests.bench_tools.receiver import Receiver, Says
from tests.contract.rest_bench import deliver, key, make, opened

VARIANTS: dict[str, dict[str, Any]] = {
    "plain": {},
    "put-array-gzip": {"method": "PUT", "body": "array", "gzip": True, "quoted_key": True},
    "small-requests": {"most_records": 3},
    "few-bytes": {"most_bytes": 1500},
}


@pytest.mark.asyncio
@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("check", CHECKS)
async def test_it_conforms(check: Check, variant: str, tmp_path: Path) -> None:
    """Every promise of the contract is kept, however requests are made."""
    with Receiver() as receiver:
        await check(
            FarSide(
                make=lambda: make(receiver.url, tmp_path, **VARIANTS[variant]),
                held=lambda: receiver.ids,
                cut_off=receiver.cut_off,
            )
        )
        assert receiver.mismatches == 0


@pytest.mark.asyncio
@pytest.mark.parametrize("check", CHECKS)
async def test_a_far_side_without_a_memory_gets_all_of_it(check: Check, tmp_path: Path) -> None:
    """Where the far side does not remember keys, nothing is lost and ids tell what came twice."""
    with Receiver(remembers=False) as receiver:
        await check(
            FarSide(
                make=lambda: make(receiver.url, tmp_path),
                held=lambda: receiver.ids,
                cut_off=receiver.cut_off,
                tells_repeats=False,
            )
        )


@pytest.mark.asyncio
async def test_a_request_holds_the_records_as_published(tmp_path: Path) -> None:
    """Station and records go out as JSON (RFC 8259) in UTF-8, each record under its published names and values."""
    batch = samples(1, 40)
    with Receiver() as receiver:
        outcome = await deliver(receiver.url, tmp_path, batch, headers={"X-Line": "pump"})
    assert (outcome.through, list(outcome.refused)) == (40, [])
    (request,) = receiver.requests
    assert json.loads(request.body.decode("utf-8")) == {"station": "bench 1", "records": batch}
    assert (request.method, request.path, request.key) == ("POST", "/records", f"{EPOCH}-1-40")
    assert request.headers["content-type"] == "application/json"
    assert request.headers["x-line"] == "pump"
    assert request.headers["accept-encoding"] == "identity"


@pytest.mark.asyncio
async def test_the_other_form(tmp_path: Path) -> None:
    """PUT, a bare array, compressed, the key in quotes: as the station file says."""
    batch = samples(1, 40)
    with Receiver() as receiver:
        await deliver(receiver.url, tmp_path, batch, **VARIANTS["put-array-gzip"])
    (request,) = receiver.requests
    assert request.method == "PUT"
    assert json.loads(request.body) == batch
    assert request.headers["content-encoding"] == "gzip"
    assert int(request.headers["content-length"]) < len(request.body) / 3
    assert request.key == f'"{EPOCH}-1-40"'


@pytest.mark.asyncio
async def test_a_header_of_the_station_files_takes_the_place_of_ours(tmp_path: Path) -> None:
    """Whatever case its name is in, a header is there once: a far side that gets two may take either."""
    own = {"content-type": "application/vnd.bench+json", "USER-AGENT": "bench 1"}
    with Receiver() as receiver:
        await deliver(receiver.url, tmp_path, samples(1, 1), headers=own)
    (request,) = receiver.requests
    assert request.headers["content-type"] == "application/vnd.bench+json"
    assert request.headers["user-agent"] == "bench 1"
    assert len(request.names) == len(set(request.names))


@pytest.mark.asyncio
async def test_requests_stay_within_their_bounds(tmp_path: Path) -> None:
    """No request holds more records or bytes than the station file allows, and only one record may be larger alone."""
    with Receiver() as receiver:
        await deliver(receiver.url, tmp_path, samples(1, 100), most_records=7)
        assert [len(request.records) for request in receiver.requests] == [7] * 14 + [2]
    with Receiver() as receiver:
        await deliver(receiver.url, tmp_path, samples(1, 100), most_bytes=3000)
    assert receiver.ids == [f"{EPOCH}-{sequence}" for sequence in range(1, 101)]
    assert all(len(request.body) <= 3000 for request in receiver.requests)
    for before, after in zip(receiver.requests, receiver.requests[1:], strict=False):
        following = len(json.dumps(after.records[0], ensure_ascii=False, separators=(",", ":")).encode())
        assert len(before.body) + 1 + following > 3000  # the next one would not have found room
    large = [{**samples(1, 1)[0], "text": "x" * 5000}, *samples(2, 1)]
    with Receiver() as receiver:
        await deliver(receiver.url, tmp_path, large, most_bytes=3000)
    assert [request.sequences for request in receiver.requests] == [[1], [2]]


@pytest.mark.asyncio
async def test_one_connection_is_kept(tmp_path: Path) -> None:
    """Twenty batches and the refusals among them go over one TCP connection."""
    with Receiver(refuses=lambda record: 422 if record["sequence"] % 50 == 7 else 0) as receiver:
        async with opened(receiver.url, tmp_path) as destination:
            for at in range(20):
                batch = samples(1 + 40 * at, 40)
                await destination.deliver(batch, key(batch))
        assert len(receiver.requests) > 100
        assert receiver.connections == 1


@pytest.mark.asyncio
async def test_no_cookie_is_carried_and_no_long_answer_read(tmp_path: Path) -> None:
    """What one answer sets does not go with the next request; one that is megabytes long is cut off."""
    with Receiver() as receiver:
        receiver.script.append(Says(200, {"Set-Cookie": "session=1; Path=/"}, b"x" * 5_000_000))
        async with opened(receiver.url, tmp_path) as destination:
            assert (await destination.deliver(samples(1, 1), "a")).through == 1
            assert (await destination.deliver(samples(2, 1), "b")).through == 2
        assert all("cookie" not in request.headers for request in receiver.requests)
        assert receiver.connections == 2


@pytest.mark.asyncio
@pytest.mark.parametrize("status", [200, 201, 202, 204, 207])
async def test_every_2xx_takes_the_batch(status: int, tmp_path: Path) -> None:
    """An answer of success is one, whatever its number, with a body or without."""
    with Receiver() as receiver:
        receiver.script.append(Says(status, body=b"" if status == 204 else b"ok"))
        outcome = await deliver(receiver.url, tmp_path, samples(3, 5))
    assert (outcome.through, list(outcome.refused), len(receiver.requests)) == (7, [], 1)


LATER = [
    301,
    302,
    303,
    307,
    308,
    304,
    401,
    402,
    403,
    404,
    405,
    407,
    408,
    409,
    410,
    411,
    415,
    418,
    421,
    425,
    429,
    431,
]
FAILED = [500, 501, 502, 503, 504, 507, 511, 599]


@pytest.mark.asyncio
@pytest.mark.parametrize("status", LATER + FAILED)
async def test_other_answers_keep_the_batch(status: int, tmp_path: Path) -> None:
    """Nothing is set aside for an answer that is not about the records; the repeat carries the same key and body."""
    headers = {"Location": "http://localhost:1/elsewhere?token=t0psecret"} if status < 400 else {}
    body = b"" if status == 304 else b"<p>not\x1b[31m now\r\n</p>"
    with Receiver() as receiver:
        receiver.script.append(Says(status, headers, body))
        async with opened(receiver.url + "?site=7", tmp_path) as destination:
            with pytest.raises(Unreachable) as caught:
                await destination.deliver(samples(1, 9), "1-9")
            assert str(status) in caught.value.finding
            assert caught.value.finding.startswith(receiver.url + ": ")
            assert caught.value.hint
            assert caught.value.retry_after_s is None
            assert "t0psecret" not in str(caught.value)
            assert str(caught.value).isprintable()
            assert (await destination.deliver(samples(1, 9), "1-9")).through == 9
        first, second = receiver.requests
        assert (first.key, first.body) == (second.key, second.body) == ("1-9", second.body)
        assert first.path == second.path == "/records?site=7"
        if status < 400 and headers:
            assert "http://localhost:1/elsewhere" in str(caught.value)


@pytest.mark.asyncio
@pytest.mark.parametrize("status", [400, 422])
async def test_a_refused_record_holds_up_no_other(status: int, tmp_path: Path) -> None:
    """One record of 64 is set aside with the answer about it; all others are taken, once and in order."""
    with Receiver(refuses=lambda record: status if record["sequence"] == 23 else 0) as receiver:
        outcome = await deliver(receiver.url, tmp_path, samples(1, 64))
    assert outcome.through == 64
    (refusal,) = outcome.refused
    assert refusal.id == f"{EPOCH}-23"
    assert refusal.answer.startswith(f"{status} ")
    assert f'"record": "{EPOCH}-23"' in refusal.answer
    assert receiver.ids == [f"{EPOCH}-{sequence}" for sequence in range(1, 65) if sequence != 23]


@pytest.mark.asyncio
async def test_what_is_too_large_goes_by_halves(tmp_path: Path) -> None:
    """A server that takes ten at once gets all of 100, and a record that is too large by itself is set aside."""
    with Receiver(most_records=10) as receiver:
        outcome = await deliver(receiver.url, tmp_path, samples(1, 100))
    assert (outcome.through, list(outcome.refused)) == (100, [])
    assert receiver.ids == [f"{EPOCH}-{sequence}" for sequence in range(1, 101)]
    batch = samples(1, 20)
    batch[4] = {**batch[4], "text": "x" * 5000}
    with Receiver(most_bytes=4000) as receiver:
        outcome = await deliver(receiver.url, tmp_path, batch)
    (refusal,) = outcome.refused
    assert refusal.id == f"{EPOCH}-5"
    assert refusal.answer.startswith("413 ")
    assert refusal.answer.endswith(": too large")
    assert receiver.ids == [f"{EPOCH}-{sequence}" for sequence in range(1, 21) if sequence != 5]


@pytest.mark.asyncio
async def test_an_outage_within_a_batch_repeats_only_what_is_open(tmp_path: Path) -> None:
    """Parts that were answered for are not sent again by the same process, not even by an object opened anew."""
    with Receiver(remembers=False, refuses=lambda record: 422 if record["sequence"] == 30 else 0) as receiver:
        receiver.script.extend([Says(422), Says(503, {"Retry-After": "7"})])
        destination, batch = make(receiver.url, tmp_path), samples(1, 32)
        await destination.open()
        with pytest.raises(Unreachable) as caught:
            await destination.deliver(batch, "1-32")
        await destination.close()
        await destination.open()
        outcome = await destination.deliver(batch, "1-32")
        await destination.close()
        assert caught.value.retry_after_s == 7
        with_the_first_half = [request.sequences for request in receiver.requests[:3]]
        assert with_the_first_half == [list(range(1, 33)), list(range(1, 17)), list(range(1, 17))]
        assert len({request.key for request in receiver.requests[1:3]}) == 1
    assert [refusal.id for refusal in outcome.refused] == [f"{EPOCH}-30"]
    assert receiver.ids == [f"{EPOCH}-{sequence}" for sequence in range(1, 33) if sequence != 30]


@pytest.mark.asyncio
async def test_a_batch_of_another_sort_is_not_taken_for_the_one_before(tmp_path: Path) -> None:
    """What is kept in mind of a batch counts for the same key and the same records only."""
    with Receiver() as receiver:
        receiver.script.append(Says(503))
        async with opened(receiver.url, tmp_path) as destination:
            with pytest.raises(Unreachable):
                await destination.deliver(samples(1, 4), "key")
            assert (await destination.deliver(samples(5, 4), "key")).through == 8
        assert [request.sequences for request in receiver.requests] == [[1, 2, 3, 4], [5, 6, 7, 8]]


@pytest.mark.asyncio
async def test_repeats_are_the_same_to_the_byte_when_compressed(tmp_path: Path) -> None:
    """Compression leaves no time in a request: a far side that compares repeats byte by byte finds them equal."""
    batch = samples(1, 40)
    with Receiver() as receiver:
        async with opened(receiver.url, tmp_path, gzip=True) as destination:
            for _ in range(2):
                await destination.deliver(batch, key(batch))
        first, second = receiver.requests
    assert first.raw == second.raw
    assert first.raw[4:8] == bytes(4)  # the content's time: there is none (RFC 1952, 2.3.1)
    assert (receiver.repeats, receiver.mismatches) == (1, 0)
