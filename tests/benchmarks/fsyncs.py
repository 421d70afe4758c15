"""How often a reading makes the disk wait while eight gauges send as fast as they are read, against one sync each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from gaugepost.edge.journal import Reader
from tests.benchmarks.bench import Load, ports, station, until
from tests.benchmarks.figures import Figure, scratch
from tests.fault.shim import SYNCS, Shim

GAUGES, FRAMES = 8, 8000
GOAL = 0.1


def figures() -> Iterator[Figure]:
    """Count syncs from the first frame until the last row is in the CSV file."""
    with scratch() as folder, ports(GAUGES) as plugged:
        shim = Shim(folder)
        shim.clear()
        with station(folder, plugged, shim.env()) as daemon, closing(Reader(daemon.journal)) as journal:
            before, at = len(shim.events()), journal.head()[0]
            load = Load(plugged, FRAMES)
            load.start()
            until(lambda: journal.head()[0] >= at + FRAMES, "all journalled")
            load.join()
            until(lambda: daemon.get("/destinations")["destinations"][0]["lag"] == 0, "all delivered")
            made = journal.head()[0] - at
            files = Counter(
                Path(event.target).name for event in shim.events()[before:] if event.call in SYNCS
            )
    wal = files["journal.db-wal"] / made
    yield Figure("of the journal's log, a reading", wal, "", 1.0, "one each", f"at most {GOAL}", wal <= GOAL)
    for name, count in files.most_common():
        if name != "journal.db-wal":
            yield Figure(f"of {name}, a reading", count / made, "", 1.0, "one each")
    yield Figure("of all files, a reading", files.total() / made, "", 1.0, "one each")
