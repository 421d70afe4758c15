"""Archives and backups hold by themselves: each is signed at its end, and proven with the public key alone."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.core.bench import State, decide
from gaugepost.core.bench.events import Sign
from gaugepost.core.errors import JournalError
from gaugepost.core.evidence.signature import LOT, Subject
from gaugepost.edge.evidence import keys
from gaugepost.edge.evidence.signatures import look_up
from gaugepost.edge.journal import Journal, Reader, backup, restore
from tests.edge.test_archive import DAY_MS, shop
from tests.edge.test_checkpoints import NOW, covered, signed, written


def test_a_backup_s_end_is_signed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the station's key a backup is covered to its last record; the journal is not touched for it."""
    path = written(tmp_path)
    keys_folder = tmp_path / keys.FILE_NAME
    path.rename(keys_folder)
    key = keys.read(keys_folder).public
    file = tmp_path / "friday.db"
    assert main(["backup", str(tmp_path), str(file)]) == 0
    assert "signed   its end" in capsys.readouterr().out
    assert (covered(file, key).covered, covered(file, key).after) == ([(1, 17)], 0)
    assert covered(tmp_path, key).covered == [(1, 14)]
    with closing(sqlite3.connect(file)) as db:
        db.execute("UPDATE signed_end SET last = 16")
        db.commit()
    assert "the signature in the file's end does not hold" in covered(file, key).findings[0]
    restore(file, tmp_path / "restored", NOW, program="test")
    with closing(Reader(tmp_path / "restored")) as reader:
        assert reader.signed_end() is None
    for spoilt in (
        "UPDATE signed_end SET key = 'x'",
        "UPDATE signed_end SET last = 'x'",
        "UPDATE signed_end SET time = 9223372036854775807",
        "DELETE FROM signed_end",
    ):
        with closing(sqlite3.connect(file)) as db:
            db.execute(spoilt)
            db.commit()
        with pytest.raises(JournalError, match="what signs the end"):
            covered(file, key)


def test_a_backup_that_was_restored(tmp_path: Path) -> None:
    """A backup is proven as the journal is; restored, what was signed before stays so in the epoch before."""
    path = written(tmp_path)
    key = keys.read(path).public
    file, _ = backup(tmp_path, tmp_path / "friday.db")
    assert covered(file, key).covered == [(1, 14)]
    restore(file, tmp_path / "restored", NOW, program="test")
    found = covered(tmp_path / "restored", key)
    assert (found.sound, found.covered, found.after) == (True, [(1, 14)], 3)
    with closing(Reader(tmp_path / "restored")) as reader, closing(Reader(tmp_path)) as before:
        assert str(reader.epoch) != str(before.epoch)


def test_an_archive_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An archive and a public key are enough: its end is signed, and another program confirms the signature."""
    data, days = tmp_path / "data", tmp_path / "archives"
    data.mkdir()
    days.mkdir()
    shop(data)
    keys.made(data / keys.FILE_NAME)
    (tmp_path / "pub.pem").write_text(keys.public_text(keys.read(data / keys.FILE_NAME).public))
    with closing(Reader(data)) as reader:
        day = reader.entries(limit=1)[0].record.measured_at // DAY_MS + 2
    before = datetime.fromtimestamp(day * 86400, UTC).date().isoformat()
    shutil.copytree(data, tmp_path / "interrupted")
    assert main(["archive", str(data), str(days), "--before", before]) == 0
    assert main(["archive", str(tmp_path / "interrupted"), str(days), "--before", before]) == 0
    (archive,) = days.iterdir()
    outside = tmp_path / "outside"
    outside.mkdir()
    shutil.copy(archive, outside)
    words = ["verify", str(outside / archive.name), "--public-key", str(tmp_path / "pub.pem")]
    assert main([*words, "--write", str(outside / "shown")]) == 0
    said = capsys.readouterr().out
    assert "signed   1 checkpoint by" in said
    assert "covered  records 1 to" in said
    assert "no checkpoint covers" not in said
    verify = "openssl pkeyutl -verify -rawin -pubin -inkey key.pem -in checkpoint.txt -sigfile checkpoint.sig"
    confirmed = subprocess.run(verify.split(), cwd=outside / "shown", capture_output=True, text=True)
    assert confirmed.returncode == 0, confirmed.stderr
    text = (outside / "shown" / "checkpoint.txt").read_bytes()
    (outside / "shown" / "checkpoint.txt").write_bytes(text.replace(b"test bench", b"best bench"))
    assert subprocess.run(verify.split(), cwd=outside / "shown", capture_output=True).returncode != 0
    keys.made(tmp_path / "other.pem")
    (tmp_path / "other.pub").write_text(keys.public_text(keys.read(tmp_path / "other.pem").public))
    assert main([*words[:2], "--public-key", str(tmp_path / "other.pub")]) == 1
    assert "no checkpoint in it is signed by the key that was given" in capsys.readouterr().out


def test_a_journal_goes_on_after_an_archive(tmp_path: Path) -> None:
    """What a journal has after an archive is covered from its first record on, and what it follows by the chain."""
    shop(tmp_path)
    keys.made(tmp_path / "key.pem")
    key = keys.read(tmp_path / "key.pem").public
    with closing(Reader(tmp_path)) as reader:
        day = reader.entries(limit=1)[0].record.measured_at // DAY_MS + 2
    before = datetime.fromtimestamp(day * 86400, UTC).date().isoformat()
    (tmp_path / "archives").mkdir()
    assert main(["archive", str(tmp_path), str(tmp_path / "archives"), "--before", before]) == 0
    with closing(Journal.open(tmp_path / "journal.db", "test bench")) as journal:
        journal.append([signed(journal, tmp_path / "key.pem", 1)])
        head = journal.sequence
    found = covered(tmp_path, key)
    with closing(Reader(tmp_path)) as reader:
        assert (found.sound, found.covered, found.after) == (True, [(reader.base[0] + 1, head - 1)], 0)
    (archive,) = (tmp_path / "archives").iterdir()
    assert "there is no checkpoint in it" in covered(archive, key).findings[0], "made without the key"


def test_a_signature_on_what_was_archived(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is signed in the journal and lies in an archive is held where the archive is named, and no other will do."""
    shop(tmp_path)
    with closing(Reader(tmp_path)) as reader:
        day = reader.entries(limit=1)[0].record.measured_at // DAY_MS + 2
        subject = Subject(LOT, 1, reader.head()[0], "L-0")
        command = Sign(look_up(reader, subject), "approval", "Mara Example", "M2")
    (record,) = decide(State(), command, NOW).records
    with closing(Journal.open(tmp_path / "journal.db", "test bench")) as journal:
        journal.append([record])
    assert main(["verify", str(tmp_path)]) == 0
    assert "1 of 1 signature held" in capsys.readouterr().out
    before = datetime.fromtimestamp(day * 86400, UTC).date().isoformat()
    (tmp_path / "archives").mkdir()
    assert main(["archive", str(tmp_path), str(tmp_path / "archives"), "--before", before]) == 0
    (archive,) = (tmp_path / "archives").iterdir()
    capsys.readouterr()
    assert main(["verify", str(tmp_path)]) == 0
    assert "0 of 1 signature held against what they sign\n         1 of records that are in archives" in (
        capsys.readouterr().out
    )
    assert main(["verify", str(tmp_path), "--archive", str(archive)]) == 0
    assert "1 of 1 signature held" in capsys.readouterr().out
    (tmp_path / "other").mkdir()
    (tmp_path / "others").mkdir()
    shop(tmp_path / "other")
    assert main(["archive", str(tmp_path / "other"), str(tmp_path / "others"), "--before", before]) == 0
    (stray,) = (tmp_path / "others").iterdir()
    assert main(["verify", str(tmp_path), "--archive", str(stray)]) == 2
    assert "is not what the records here follow" in capsys.readouterr().err
