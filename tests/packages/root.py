"""A computer of its own to install on: this one's files below, and all that is written goes into memory."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Self

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


class Root:
    """Commands run in it see nothing of the network but loopback, and no service manager."""

    def __init__(self, at: Path, given: Path) -> None:
        """`at` is an empty folder, `given` what is to be found there as /tmp/given."""
        assert os.geteuid() == 0, "installing packages takes root: run this test as root"
        self._at, self._given = at, given
        self._holder: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        script = _MOUNT.format(at=self._at, given=self._given)
        words = ["unshare", "--mount", "--net", "--", "bash", "-c", script]
        self._holder = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert self._holder.stdout is not None
        assert self._holder.stdout.readline() == "ready\n"
        self.run("ip link set lo up || true")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._holder is not None
        self._holder.kill()
        self._holder.communicate()

    def start(self, command: str) -> subprocess.Popen[str]:
        """Begin a shell command there."""
        assert self._holder is not None
        enter = ["nsenter", f"--target={self._holder.pid}", "--mount", "--net", "--"]
        words = [*enter, "chroot", str(self._at / "top"), "/bin/bash", "-c", command]
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
