"""A computer of its own that systemd has booted as its first process, in namespaces of this one; needs root.

Its /etc, /usr/bin, /var and /opt are this computer's with a layer above that vanishes with it; /run and /tmp are
empty, and everything else may only be read: a service manager clears up what it takes for its own. The network is
shared, so that a test may ask what runs there. The interpreter and the libraries of the tests lie below /opt in it,
where a service that may not look into anybody's home finds them.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import site
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Self

ROOT = Path(__file__).parents[2]
PATIENCE_S = 90.0
"""Bounds a failure; nothing passes or fails by it otherwise."""

_SYSTEMD = "/usr/lib/systemd/systemd"
_PROGRAM = """#!/bin/sh
export PYTHONPATH=/opt/gaugepost/daemon:/opt/gaugepost/adapters:/opt/gaugepost/libraries PYTHONDONTWRITEBYTECODE=1
export LD_LIBRARY_PATH=/opt/gaugepost/python/lib
exec /opt/gaugepost/python/bin/python3 -m gaugepost "$@"
"""

_BOOT = r"""
set -eu
[ "$$" = 1 ]  # nothing of this is for a computer that others work on
mount --make-rprivate /
mount -t tmpfs tmpfs "$LAYERS"
for place in etc usr/bin var opt; do
    mkdir -p "$LAYERS/$place/upper" "$LAYERS/$place/work"
    mount -t overlay overlay -o "lowerdir=/$place,upperdir=$LAYERS/$place/upper,workdir=$LAYERS/$place/work" "/$place"
done
mount -o remount,bind,ro /
cd /opt
mkdir -p gaugepost/python gaugepost/libraries gaugepost/daemon gaugepost/adapters
mount --bind "$PYTHON" gaugepost/python
mount --bind "$LIBRARIES" gaugepost/libraries
mount --bind "$OURS/daemon" gaugepost/daemon
mount --bind "$OURS/adapters" gaugepost/adapters
rm -f /usr/bin/gaugepost
printf '%s' "$PROGRAM" > /usr/bin/gaugepost
chmod 755 /usr/bin/gaugepost
echo 'gaugepost:x:64999:' >> /etc/group
echo 'gaugepost:x:64999:64999::/nonexistent:/usr/sbin/nologin' >> /etc/passwd
mount -t tmpfs tmpfs /run
# Units of this computer are not started in that one.
mount -t tmpfs tmpfs /etc/systemd/system
mount -t tmpfs tmpfs /usr/lib/systemd/system/sysinit.target.wants
printf '[Unit]\nDescription=nothing but what a test starts\n' > /etc/systemd/system/bench.target
mount -t tmpfs -o mode=755 tmpfs /sys/fs/cgroup
mount -t cgroup2 cgroup2 /sys/fs/cgroup
cd /
eval "$PREPARE"
# A service manager that boots empties /tmp: it shall be one of its own, as shall be what people keep elsewhere.
for place in /tmp /var/tmp /home /root /srv /mnt; do
    mount -t tmpfs tmpfs "$place"
done
if touch /usr/lib/written 2>/dev/null; then exit 1; fi
exec env -i container=test PATH="$PATH" "$SYSTEMD" --system --unit=bench.target --log-target=console \
    --show-status=no --log-level=info
"""


class Booted:
    """The computer. `prepare` are lines of shell that are run in it before its first process."""

    def __init__(self, folder: Path, prepare: str) -> None:
        assert os.geteuid() == 0, "only root may boot it: run the tests as root, in a container if need be"
        self._log = folder / "booted.log"
        layers = folder / "layers"
        layers.mkdir()
        self._cgroup = _cgroup() / f"gaugepost-test-{os.getpid()}"
        self._env = {
            **os.environ,
            "LAYERS": str(layers),
            "PYTHON": sys.base_prefix,
            "LIBRARIES": site.getsitepackages()[0],
            "OURS": str(ROOT),
            "PROGRAM": _PROGRAM,
            "PREPARE": prepare,
            "SYSTEMD": _SYSTEMD,
        }
        self._process: subprocess.Popen[bytes] | None = None

    def log(self) -> str:
        """What its first process said so far."""
        return self._log.read_text(errors="replace")

    def run(self, *words: str, code: int | None = 0) -> str:
        """Run a program in it; return what it says. Fails where it ends with another code, unless any will do."""
        done = subprocess.run(
            ["nsenter", "--target", str(self._first()), "--all", "--wdns=/", *words],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=2 * PATIENCE_S,
            check=False,
        )
        assert code is None or done.returncode == code, f"{words}: {done.stdout}{done.stderr}\n{self.log()}"
        return done.stdout + done.stderr

    def shows(self, unit: str, *names: str) -> list[str]:
        """Return properties of a unit."""
        said = self.run("systemctl", "show", *[f"--property={name}" for name in names], unit)
        told = dict(line.split("=", 1) for line in said.splitlines())
        return [told[name] for name in names]

    def until_shows(self, unit: str, name: str, value: str) -> None:
        """Wait until a property of a unit is `value`."""
        deadline = time.monotonic() + PATIENCE_S
        while self.shows(unit, name) != [value]:
            assert time.monotonic() < deadline, (
                f"{self.run('systemctl', 'status', unit, code=None)}\n{self.log()}"
            )
            threading.Event().wait(0.2)

    def path(self, path: str) -> str:
        """Return where a file of it is found from here."""
        return f"/proc/{self._first()}/root{path}"

    def until_there(self, path: str) -> None:
        """Wait until a file is there."""
        deadline = time.monotonic() + PATIENCE_S
        while not Path(self.path(path)).exists():
            assert time.monotonic() < deadline, f"{path} is not there\n{self.log()}"
            threading.Event().wait(0.05)

    def _first(self) -> int:
        assert self._process is not None
        children = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children").read_text().split()
        assert len(children) == 1, self.log()
        return int(children[0])

    def __enter__(self) -> Self:
        self._cgroup.mkdir()
        entered = f'echo $$ > {shlex.quote(str(self._cgroup))}/cgroup.procs; exec "$@"'
        spaces = ["--pid", "--fork", "--kill-child", "--mount", "--mount-proc", "--cgroup", "--uts", "--ipc"]
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                ["bash", "-c", entered, "bash", "unshare", *spaces, "bash", "-c", _BOOT],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=self._env,
            )
        deadline = time.monotonic() + PATIENCE_S
        try:
            while not self._is_up():
                assert self._process.poll() is None, self.log()
                assert time.monotonic() < deadline, self.log()
                threading.Event().wait(0.2)
        except BaseException:
            self._end()
            raise
        return self

    def _is_up(self) -> bool:
        try:
            first = self._first()
        except (AssertionError, OSError):
            return False
        if Path(f"/proc/{first}/exe").resolve() != Path(_SYSTEMD).resolve():
            return False
        return self.run("systemctl", "is-system-running", code=None).strip() in ("running", "degraded")

    def __exit__(self, *_: object) -> None:
        self._end()

    def _end(self) -> None:
        assert self._process is not None
        # With its first process everything in it ends.
        with contextlib.suppress(AssertionError, OSError):
            os.kill(self._first(), signal.SIGKILL)
        self._process.wait(PATIENCE_S)
        for folder, _below, _files in os.walk(self._cgroup, topdown=False):
            Path(folder).rmdir()


def _cgroup() -> Path:
    """Return the folder of the version 2 control group that this process is in."""
    mounts = [line.split() for line in Path("/proc/self/mounts").read_text().splitlines()]
    mount = next(fields[1] for fields in mounts if fields[2] == "cgroup2")
    groups = Path("/proc/self/cgroup").read_text().splitlines()
    own = next(line.removeprefix("0::") for line in groups if line.startswith("0::"))
    return Path(mount) / own.lstrip("/")
