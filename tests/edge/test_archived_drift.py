"""Drift over years: masterings and checks that were archived count with those that the journal still has."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.core.publication import rfc3339
from gaugepost.core.record import Kind
from gaugepost.edge.journal import Archive, Reader
from tests.edge.test_archive import shop


def test_drift_goes_on_from_the_archives(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With its archives named, in whatever order, a journal's drift is what it was; another journal's are refused."""
    data, archives = tmp_path / "data", tmp_path / "archives"
    shop(data)
    archives.mkdir()
    with closing(Reader(data)) as reader:
        starts = [each.record.measured_at for each in reader.replay(kinds=[Kind.START])]

    def said(*words: object) -> str:
        assert main(["drift", "--journal", str(data), "--json", *map(str, words)]) == 0
        return capsys.readouterr().out

    before = said()
    days = [rfc3339(start // 1000 * 1000).replace(".000Z", "Z") for start in starts]
    for day in days[1:]:
        assert main(["archive", str(data), str(archives), "--before", day]) == 0
    capsys.readouterr()
    first, later = sorted(archives.iterdir(), key=lambda file: Archive(file).base[0])
    assert 0 < said().count('"sequence"') < before.count('"sequence"')
    assert said("--archive", later, "--archive", first, "--archive", later) == before
    filtered = ("--until", days[1], "--what", "deviation")
    assert said(*filtered).count('"sequence"') == 0
    assert said(*filtered, "--archive", first).count('"sequence"') == 1
    shop(tmp_path / "other", days=1)
    assert main(["drift", "--journal", str(tmp_path / "other"), "--archive", str(first)]) == 2
    assert "holds no records of this journal" in capsys.readouterr().err
    assert main(["drift", "--journal", str(data), "--archive", str(data / "journal.db")]) == 2
    assert "is no archive of gaugepost" in capsys.readouterr().err
