"""The whole daemon and a real receiver: every reading arrives once, through outages, refusals and kills."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bench_tools.accounts import journalled, show, standing, until
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.receiver import Receiver, Says, Stalls

pytestmark = pytest.mark.attack

KILLS = 12


def station(port: Port, receiver: Receiver, more: str = "") -> str:
    table = f'[destinations.mes]\nkind = "rest_push"\nurl = "{receiver.url}"\n{more}'
    return station_file([port], extra=table)


@pytest.fixture
def port() -> Iterator[Port]:
    with Port() as port:
        yield port


def test_readings_arrive_through_an_outage(tmp_path: Path, port: Port) -> None:
    """What was measured while the far side was away comes afterwards, once, in order, and compressed as asked."""
    with Receiver() as receiver, Daemon(tmp_path, station(port, receiver, "gzip = true")) as daemon:
        show(port, range(1, 21))
        daemon.wait_for(20, kind="reading")
        until(daemon, lambda: len(receiver.ids) == 20)
        with receiver.cut_off():
            show(port, range(21, 41))
            daemon.wait_for(40, kind="reading")
            until(daemon, lambda: standing(daemon, "mes")["state"] == "unreachable")
            assert receiver.url.removesuffix("/records") in standing(daemon, "mes")["last_error"]
        until(daemon, lambda: standing(daemon, "mes")["lag"] == 0)
        assert receiver.ids == journalled(daemon)
        assert [record["indication"] for record in receiver.taken] == [f"38.{n:04}" for n in range(1, 41)]
        assert receiver.requests[0].headers["content-encoding"] == "gzip"
        assert daemon.stop() == 0


def test_a_refused_reading_is_set_aside_and_shown(tmp_path: Path, port: Port) -> None:
    """One reading that the far side refuses is counted; the others are there, and the journal holds all."""

    def refuses(record: dict[str, Any]) -> int:
        return 422 if record["indication"] == "38.0007" else 0

    with Receiver(refuses=refuses) as receiver, Daemon(tmp_path, station(port, receiver)) as daemon:
        show(port, range(1, 21))
        daemon.wait_for(20, kind="reading")
        until(daemon, lambda: len(receiver.ids) == 19)
        until(daemon, lambda: standing(daemon, "mes")["lag"] == 0)
        assert standing(daemon, "mes")["refused"] == 1
        assert set(journalled(daemon)) - set(receiver.ids) == {daemon.wait_for(7, kind="reading")[6]["id"]}


def test_a_far_side_that_asks_for_time_is_left_alone(tmp_path: Path, port: Port) -> None:
    """After "come back in half an hour" nothing is sent until the end, when it is tried once more."""
    with Receiver() as receiver, Daemon(tmp_path, station(port, receiver)) as daemon:
        receiver.script.append(Says(429, {"Retry-After": "1800"}))
        show(port, range(1, 6))
        daemon.wait_for(5, kind="reading")
        until(daemon, lambda: standing(daemon, "mes")["state"] == "unreachable")
        assert "left alone for 1800 s" in standing(daemon, "mes")["last_error"]
        assert len(receiver.requests) == 1
        assert daemon.stop() == 0
        assert receiver.ids == journalled(daemon)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ('bearer_token = "abc"', "bearer_token_file"),
        ('headers = { X-Api-Key = "abc" }', "header_files"),
        ("most_records = 900", "500 or less"),
    ],
)
def test_the_station_file_is_checked_in_its_own_words(
    tmp_path: Path, port: Port, settings: str, words: str
) -> None:
    """What is wrong in the destination's table is found before anything is opened, with the line and what to write."""
    with Receiver() as receiver:
        daemon = Daemon(tmp_path, station(port, receiver, settings))
        with pytest.raises(AssertionError, match="did not listen"):
            daemon.start()
        assert "destinations.mes" in daemon.log()
        assert words in daemon.log()
        assert receiver.connections == 0


def test_refused_readings_are_handed_over_again(tmp_path: Path, port: Port) -> None:
    """Once the far side is mended, what it refused goes out under a new key: its memory of the old one is no bar."""
    knows = [False]
    with (
        Receiver(
            refuses=lambda record: 0 if knows[0] or record["indication"] > "38.0003" else 422
        ) as receiver,
        Daemon(tmp_path, station(port, receiver)) as daemon,
    ):
        show(port, range(1, 11))
        daemon.wait_for(10, kind="reading")
        until(daemon, lambda: standing(daemon, "mes")["refused"] == 3)
        until(daemon, lambda: standing(daemon, "mes")["lag"] == 0)
        assert {one["answer"][:4] for one in daemon.get("/destinations/mes")["set_aside"]} == {"422 "}
        knows[0] = True
        daemon.post("/destinations/mes/retry", {"all": True, "operator": "M2"})
        until(daemon, lambda: standing(daemon, "mes")["refused"] == 0)
        assert receiver.requests[-1].key.startswith("again-")
        assert len(receiver.ids) == len(set(receiver.ids))
        assert set(receiver.ids) == set(journalled(daemon))
        assert receiver.mismatches == 0


def test_a_token_is_told_to_the_far_side_alone(tmp_path: Path, port: Port) -> None:
    """Echoed by refusals and outages alike, it is in no status, no log and no file; renewed, it is used at once."""
    old, new = "hush/old-7f3a", "hush/new-91c2"
    token = tmp_path / "token"
    token.write_text(old)
    echo = f'{{"sent": "Bearer {old}", "also": "hush\\/old-7f3a"}}'.encode()
    with Receiver() as receiver:
        # It asks to be left alone, so that nothing is sent before the token is renewed.
        receiver.script.extend([Says(422, body=echo), Says(401, {"Retry-After": "1800"}, echo)])
        more = f'kinds = ["reading"]\nbearer_token_file = "{token}"'
        with Daemon(tmp_path, station(port, receiver, more)) as daemon:
            show(port, range(1, 2))
            until(daemon, lambda: standing(daemon, "mes")["refused"] == 1)
            show(port, range(2, 3))
            until(daemon, lambda: standing(daemon, "mes")["state"] == "unreachable")
            told = f"{daemon.get('/destinations')} {daemon.get('/destinations/mes')}"
            assert "401 Unauthorized: " in told
            assert "422 Unprocessable" in told
            (tmp_path / "token.new").write_text(new)
            (tmp_path / "token.new").rename(token)
            daemon.post("/destinations/mes/retry", {"operator": "M2"})
            until(daemon, lambda: standing(daemon, "mes")["lag"] == 0)
            assert daemon.stop() == 0
        log = daemon.log()
    assert [r.headers["authorization"] for r in receiver.requests] == [f"Bearer {t}" for t in (old, old, new)]
    kept = b"".join(path.read_bytes() for path in daemon.data.rglob("*") if path.is_file())
    for part in ("old-7f3a", "new-91c2"):
        assert part not in told
        assert part not in log
        assert part.encode() not in kept


def some(record: dict[str, Any]) -> int:
    """What the far side refuses, so that kills fall among the parts of a batch as well."""
    return 422 if record["sequence"] % 9 == 4 else 0


def settled(daemon: Daemon, receiver: Receiver) -> None:
    """Have everything delivered, and account for it: each record once, in order, or refused; each key for one body."""
    with Port() as port:
        daemon.station = station(port, receiver, "most_records = 40")
        with daemon:
            until(daemon, lambda: standing(daemon, "mes")["lag"] == 0)
            refused = standing(daemon, "mes")["refused"]
    ids = journalled(daemon)
    expected = [name for name in ids if int(name.rpartition("-")[2]) % 9 != 4]
    assert receiver.ids == expected
    assert refused == len(ids) - len(expected) > 0
    assert receiver.mismatches == 0
    sent: dict[str, bytes] = {}
    for request in receiver.requests:
        assert sent.setdefault(request.key, request.body) == request.body
    assert any(":" in key for key in sent), "no batch was sent in parts"


def test_killed_while_it_delivers_every_record_is_there_once(tmp_path: Path) -> None:
    """Killed 12 times after the far side took a request and before it answered: repeats have their keys, all is there.

    It tells repeats by key alone, and finds none that holds other records than before.
    """
    shown, daemon = 0, Daemon(tmp_path, "")
    with Receiver(refuses=some) as receiver:
        for at in range(KILLS):
            with Port() as port:
                daemon.station = station(port, receiver, "most_records = 40")
                asked = len(receiver.requests)
                receiver.script.extend([*[None] * (at * 5 % 7), Stalls(takes=True)])
                daemon.start()
                show(port, range(shown + 1, shown + 101))
                shown += 100
                receiver.wait(lambda: not receiver.script)
                daemon.kill()
                assert len(receiver.requests) > asked
                receiver.release()
        settled(daemon, receiver)
        assert receiver.repeats >= KILLS


def test_killed_at_any_moment_every_record_is_there_once(tmp_path: Path) -> None:
    """Wherever kills fall among disk, request, answer and cursor, nothing is lost and nothing doubled."""
    moment, shown, daemon = random.Random(4711), 0, Daemon(tmp_path, "")
    with Receiver(refuses=some) as receiver:
        for _ in range(KILLS):
            with Port() as port:
                daemon.station = station(port, receiver, "most_records = 40")
                asked = len(receiver.requests)
                daemon.start()
                for _ in range(3):
                    show(port, range(shown + 1, shown + 101))
                    shown += 100
                    time.sleep(moment.uniform(0, 0.1))
                receiver.wait(lambda: len(receiver.requests) > asked)  # noqa: B023 - waited for here
                time.sleep(moment.uniform(0, 0.3))
                daemon.kill()
        settled(daemon, receiver)
