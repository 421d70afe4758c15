"""deploy/postgres.md and deploy/plant/README.md, typed at a real PostgreSQL: what each page says to run does run."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench_tools.ports import free_port
from tests.bench_tools.postgres import OWNER, Server
from tests.docs.desk import Desk, first_station, until, walk
from tests.docs.documents import ROOT, blocks

pytestmark = pytest.mark.attack

PAGE, PLANT = "deploy/postgres.md", "deploy/plant/README.md"
SECTIONS = {PAGE: ("Setting it up",), PLANT: ("Station files from one list", "Seen from the centre")}
_SQL = re.compile(r"(SELECT|CREATE|GRANT|ALTER|DROP|INSERT|UPDATE|DELETE) ")
_SPAN = re.compile(r"`((?:SELECT|ALTER) [^`]+)`")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk with the station that the README has a reader write."""
    with Desk(tmp_path) as desk:
        yield desk


@pytest.fixture
def server() -> Iterator[Server]:
    """A server that has nothing but its owner."""
    with Server() as server:
        server.ask("DROP OWNED BY bench")
        with server.connected("postgres") as connection:
            connection.execute("DROP DATABASE quality")
        yield server


def test_the_page_of_the_database(desk: Desk, server: Server) -> None:
    """Followed from its first statement to its last, with a station under the rights that the page grants."""
    sql = [block.text for block in blocks(PAGE) if _SQL.match(block.text)]
    made = [text for text in sql if not text.startswith("SELECT")]
    asked = [text for text in sql if text.startswith("SELECT")]
    assert (len(made), len(asked)) == (2, 6)
    database, rights = made
    for statement in filter(str.strip, re.sub(r"--.*", "", database).split(";")):
        with server.connected("postgres") as connection:
            connection.execute(statement.encode())
    (table,) = [block.text for block in blocks(PAGE) if block.text.startswith("[destinations")]
    secret = desk.folder / "database.password"
    secret.write_text("…")
    desk.places |= {"/etc/gaugepost/database.password": str(secret), "db.example": str(server.folder)}
    desk.env |= {"PGPORT": str(server.port), "PGUSER": OWNER}
    walk(desk, PAGE, "Setting it up", how={})
    server.ask(rights)
    desk.writes(first_station())
    desk.adds(f"{table.replace('tls = true', 'create = false')}port = {server.port}\n")
    assert "fit to run" in desk.types("gaugepost check station.toml")
    with desk.running():
        desk.is_mastered()
        desk.measures("38.0141", "38.0300")
        until(
            lambda: server.ask("SELECT id FROM gaugepost.record WHERE kind = 'reading'")[1:], "both are there"
        )
        assert "plant-database" in desk.types("gaugepost deliveries")
    for query in asked:
        server.ask(query)
    # The bench of the README stands where the page names another; what is asked for is there then.
    (rejected,) = [server.ask(query) for query in asked if "decision = 'reject'" in query]
    assert [row[3] for row in rejected] == ["bush-bore"]
    assert [row for query in asked if "gauge = 'bore-38'" in query for row in server.ask(query)]


def test_what_sentences_and_tables_say_to_ask(server: Server, desk: Desk) -> None:
    """Each statement in a sentence or a table of both pages is one that the server takes, on our schema."""
    with server.connected("postgres") as connection:
        connection.execute("CREATE DATABASE quality")
    desk.places["db.example"] = str(server.folder)
    desk.env |= {"PGPORT": str(server.port), "PGUSER": OWNER}
    walk(desk, PAGE, "Setting it up", how={})
    server.ask("CREATE ROLE reader")
    server.ask(
        "CREATE TABLE gaugepost.record_2019_01 PARTITION OF gaugepost.record "
        "FOR VALUES FROM ('2019-01-01') TO ('2019-02-01')"
    )
    said = [
        text for page in (PAGE, PLANT) for text in _SPAN.findall((ROOT / page).read_text(encoding="utf-8"))
    ]
    assert len(said) >= 5
    for statement in said:
        if statement == "ALTER TABLE … SET LOGGED":
            statement = statement.replace("…", "gaugepost.record_2019_01")
        server.ask(" ".join(statement.split()))


def test_a_plant_s_station_files(desk: Desk) -> None:
    """The list and the template in deploy/plant make the files that the page speaks of, and each is checked."""
    (desk.folder / "deploy").symlink_to(ROOT / "deploy")
    desk.writes(first_station())
    with desk.running():
        walk(desk, PLANT, "Station files from one list", how={})
    made = sorted(path.name for path in (desk.folder / "stations").iterdir())
    assert made == ["pump-bench-1.toml", "pump-bench-2.toml", "pump-bench-3.toml"]


def test_a_board_of_all_benches(desk: Desk) -> None:
    """What the page says to type gives a board that is served with a scrape of the bench."""

    def collected(text: str) -> None:
        (desk.folder / "list.csv").write_text(f"bench,address\nbench-1,http://127.0.0.1:{desk.port}\n")
        said = desk.types(text.replace("deploy/plant/benches.csv", "list.csv") + " --once")
        assert "1 of 1 benches" in said

    def served(text: str) -> None:
        board = f"http://127.0.0.1:{port}/"
        with desk.at_work(text.replace("8621", str(port))):
            files = " ".join(f"{board}{name}" for name in ("board.html", "benches.txt", "bench-1.metrics"))
            said = desk.types(f"curl -fsS --retry 20 --retry-connrefused {files}")
        assert "<title>Benches</title>" in said
        assert "gaugepost_suspects 0" in said

    (desk.folder / "deploy").symlink_to(ROOT / "deploy")
    desk.writes(first_station())
    port = free_port()
    with desk.running():
        walk(
            desk,
            PLANT,
            "Seen from the centre",
            how={"python deploy/plant/collect.py": collected, "python -m http.server": served},
        )
