"""Signing on the command line, at the real daemon."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from gaugepost.core.access import Role
from gaugepost.edge.access import PeopleFile
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.cli.daemons import gaugepost

PIN, WRONG = "483920", "739104"


def said(daemon: Daemon, *words: str, pin: str = PIN) -> subprocess.CompletedProcess[str]:
    """Run `gaugepost sign` with a PIN on standard input."""
    command = [sys.executable, "-m", "gaugepost", "sign", *words, "--at", daemon.address]
    return subprocess.run(command, input=f"{pin}\n", capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.attack
def test_signed_at_the_terminal(tmp_path: Path) -> None:
    """The PIN comes by standard input and is told to nobody; what is signed is shown, and `verify` holds it."""
    people = PeopleFile(tmp_path / "data")
    people.add("M2", Role.OPERATOR, 1, "test", pin=PIN, name="Mara Example")
    with Port() as port, Daemon(tmp_path, station_file([port])) as daemon:
        daemon.wait_for(1, kind="link")
        port.send(b"38.0041 mm\r\n")
        (reading,) = daemon.wait_for(1, kind="reading")
        words = ("record", str(reading["sequence"]), "--as", "M2", "--meaning", "review")
        refused = said(daemon, *words, pin=WRONG)
        assert (refused.returncode, WRONG in refused.stderr) == (2, False), refused.stderr
        assert "signs in" in refused.stderr
        refused = said(daemon, *words[:-1], "approval")
        assert refused.returncode == 2
        assert "takes a setter" in refused.stderr
        made = said(daemon, *words)
        assert made.returncode == 0, made.stderr
        assert "signed: review" in made.stdout
        shown = said(daemon, "show")
        assert "Mara Example (M2)" in shown.stdout
        assert "as signed" in shown.stdout
        (told,) = json.loads(said(daemon, "show", "--json").stdout)["signatures"]
        assert told["first"] == reading["id"]
        assert PIN not in daemon.log()
        daemon.stop()
        proof = gaugepost("verify", str(daemon.data))
        assert "1 of 1 signature held" in proof.stdout
