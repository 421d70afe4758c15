"""A computer of its own to install on: this one's files below, and all that is written goes into memory."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from typing import Self

from tests.packages.apart import Apart

_PATH = "/usr/sbin:/usr/bin:/sbin:/bin"
_MOUNT = """
set -e
mount -t tmpfs tmpfs {at}
mkdir {at}/upper {at}/lower {at}/top
mount -t overlay overlay -o lowerdir=/,upperdir={at}/upper,workdir={at}/lower {at}/top
mount -t proc proc {at}/top/proc
mount --rbind /dev {at}/top/dev
mount -t tmpfs tmpfs {at}/top/tmp
mount -t tmpfs tmpfs {at}/top/run
mkdir {at}/top/tmp/given
mount --bind {given} {at}/top/tmp/given
echo ready
exec sleep infinity
"""


class Root(Apart):
    """Commands run in it see nothing of the network but loopback, and no service manager."""

    def __init__(self, at: Path, given: Path) -> None:
        """`at` is an empty folder, `given` what is to be found there as /tmp/given."""
        assert os.geteuid() == 0, "installing packages takes root: run this test as root"
        super().__init__(_MOUNT.format(at=at, given=given))
        self._at = at

    def __enter__(self) -> Self:
        super().__enter__()
        self.run("ip link set lo up || true")
        return self

    def start(self, command: str) -> subprocess.Popen[str]:
        """Begin a shell command there."""
        words = [*self.entering, "--", "chroot", str(self._at / "top"), "/bin/bash", "-c", command]
        clean = {
            "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
            "LANG": "C.UTF-8",
            "HOME": "/",
            "DEBIAN_FRONTEND": "noninteractive",
        }
        return subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=clean, cwd="/"
        )

    def run(self, command: str, *, code: int = 0) -> str:
        """Run a shell command there to its end, which must have this exit code; return what it printed."""
        process = self.start(command)
        said, _ = process.communicate(timeout=300)
        assert process.returncode == code, f"{command}: {process.returncode}\n{said}"
        return said
