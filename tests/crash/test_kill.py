"""The daemon is killed under load, again and again, and every reading is accounted for."""

from __future__ import annotations

import random
import threading
from pathlib import Path

import pytest

from gaugepost.edge.journal import Reader
from tests.bench_tools.accounts import load
from tests.bench_tools.daemon import Daemon, Port, station_file

KILLS = 20
GAUGES = 4


@pytest.mark.attack
def test_nothing_acknowledged_is_lost_and_nothing_is_doubled(tmp_path: Path) -> None:
    """Over 20 kills at random moments: acknowledged ⊆ journal ⊆ sent, in order, and the CSV file equals the journal."""
    chance = random.Random(20)
    sent: list[list[str]] = [[] for _ in range(GAUGES)]
    acknowledged: dict[str, str] = {}
    daemon = Daemon(tmp_path, "")
    for _ in range(KILLS):
        ports = [Port() for _ in range(GAUGES)]  # what the kill unplugged comes back on ports of its own
        daemon.station = station_file(ports)
        daemon.start()
        with load(ports, sent):
            after = max((int(each.rpartition("-")[2]) for each in acknowledged), default=0)
            for _ in range(chance.randrange(1, 8)):
                page = daemon.get(f"/records?after={after}&limit=1000&kind=reading&wait=5")
                acknowledged |= {record["id"]: record["indication"] for record in page["records"]}
                after = page["next"]
            threading.Event().wait(chance.random() / 20)
            daemon.kill()
        for row in daemon.rows():
            acknowledged[row["id"]] = row["indication"]
        for port in ports:
            port.close()
    ports = [Port() for _ in range(GAUGES)]
    daemon.station = station_file(ports)
    with daemon:
        assert daemon.get("/health")["recording"]
    for port in ports:
        port.close()
    reader = Reader(daemon.journal)
    readings = [entry for entry in reader.replay() if entry.record.kind == "reading"]
    journal = {f"{reader.epoch}-{entry.sequence}": entry.record.indication for entry in readings}
    reader.close()

    assert acknowledged, "nothing was ever acknowledged: the test proves nothing"
    assert acknowledged.items() <= journal.items()
    for at in range(GAUGES):
        recorded = [entry.record.indication for entry in readings if entry.record.gauge == f"g{at}"]
        assert len(recorded) == len(set(recorded)), "a frame was recorded twice"
        positions = [int(digits.replace(".", "")) for digits in recorded if digits]
        assert positions == sorted(positions), "out of order"
        assert set(recorded) <= set(sent[at]), "a frame was made up"
    rows = [(row["id"], row["indication"]) for row in daemon.rows() if row["kind"] == "reading"]
    assert rows == list(journal.items()), "the CSV file is not the journal: every reading once, in order"
