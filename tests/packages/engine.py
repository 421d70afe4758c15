"""A container engine of a test's own: its images, containers and volumes lie in memory and go with it. Needs root.

What it takes for the computer's network is one of its own, with nothing but loopback.
"""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path
from typing import Self

from tests.packages.apart import Apart

# The engine's own limits are above ours where we may not raise them; what it would log to is not there.
_ENGINE = """\
[containers]
default_ulimits = ["nofile=4096:4096", "nproc=4096:4096"]
[engine]
cgroup_manager = "cgroupfs"
events_logger = "file"
runtime = "runc"
"""
_STORAGE = """\
[storage]
driver = "overlay"
graphroot = "{at}/images"
runroot = "{at}/run"
"""
_MOUNT = """
set -e
mount --make-rprivate /
mount -t tmpfs tmpfs {at}
ip link set lo up
echo ready
exec sleep infinity
"""
_BASE = ("base-files", "ca-certificates", "passwd", "python3.11-venv")
_LEFT_OUT = re.compile(r"/usr/share/(doc|man|info|locale|lintian|bug|zoneinfo)(/|$)")


class Engine(Apart):
    """Commands are typed in `folder`, as a person would who has the engine installed."""

    def __init__(self, at: Path, folder: Path) -> None:
        """`at` is an empty folder that nothing else needs."""
        assert os.geteuid() == 0, "containers of a test take root: run this test as root"
        super().__init__(_MOUNT.format(at=at))
        self._at, self._folder = at, folder
        self._settings = folder / "engine.conf", folder / "storage.conf"

    def __enter__(self) -> Self:
        self._settings[0].write_text(_ENGINE)
        self._settings[1].write_text(_STORAGE.format(at=self._at))
        return super().__enter__()

    def start(self, command: str) -> subprocess.Popen[str]:
        """Begin a shell command."""
        words = [*self.entering, f"--wdns={self._folder}", "--"]
        env = {
            "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
            "LANG": "C.UTF-8",
            "HOME": str(self._at),
            "BUILDAH_ISOLATION": "chroot",
            "CONTAINERS_CONF": str(self._settings[0]),
            "CONTAINERS_STORAGE_CONF": str(self._settings[1]),
        }
        return subprocess.Popen(
            [*words, "bash", "-o", "pipefail", "-c", command],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=env,
        )

    def types(self, command: str, *, code: int = 0) -> str:
        """Run a shell command to its end, which must have this exit code; return what it printed."""
        process = self.start(command)
        said, _ = process.communicate(timeout=600)
        assert process.returncode == code, f"{command}: {process.returncode}\n{said}"
        return said

    def has_base(self, name: str) -> None:
        """Make an image of this computer's own packages: what is essential, and a Python with venv."""
        paths = self._folder / "paths"
        files = [path for path in _files(_packages()) if not _LEFT_OUT.match(path)]
        paths.write_text("".join(f"{path.lstrip('/')}\n" for path in files))
        people = self._folder / "people" / "etc"
        people.mkdir(parents=True)
        (people / "passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
        (people / "group").write_text("root:x:0:\n")
        packed = f"tar -cf base.tar --no-recursion -C / -T {paths} -C {people.parent} etc/passwd etc/group"
        self.types(f"{packed} && podman import -q base.tar {name} && rm base.tar")


def _packages() -> set[str]:
    """Return the installed packages that the base is made of, with all that they depend on."""
    form = "${Package}\t${Provides}\t${Essential}\t${Pre-Depends}, ${Depends}\n"
    said = subprocess.run(["dpkg-query", "-W", "-f", form], check=True, capture_output=True, text=True).stdout
    needs: dict[str, list[list[str]]] = {}
    by_name: dict[str, str] = {}
    wanted = list(_BASE)
    for line in said.splitlines():
        name, provides, essential, depends = line.split("\t")
        needs[name] = [[_named(each) for each in one.split("|")] for one in depends.split(",") if one.strip()]
        by_name.update({_named(each): name for each in provides.split(",") if each.strip()})
        if essential == "yes":
            wanted.append(name)
    found: set[str] = set()
    while wanted:
        name = wanted.pop()
        if name in found:
            continue
        found.add(name)
        for choices in needs[name]:
            there = [one if one in needs else by_name.get(one) for one in choices]
            wanted += [one for one in there if one][:1]
    return found


def _named(dependency: str) -> str:
    return re.split(r"[ (:]", dependency.strip())[0]


def _files(packages: set[str]) -> list[str]:
    """Return what the packages put on this computer, and the links by which it is found."""
    words = ["dpkg-query", "-L", *sorted(packages)]
    said = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    paths = {line for line in said.splitlines() if line.startswith("/") and line != "/."}
    links = ["/bin", "/sbin", "/lib", "/lib64", "/etc/ld.so.cache"]
    links += [str(path) for path in Path("/etc/alternatives").iterdir()]
    # What is in a folder that is a link here is packed where that leads.
    real = {str(Path(path).parent.resolve() / Path(path).name) for path in paths if os.path.lexists(path)}
    return sorted({*real, *(path for path in links if os.path.lexists(path))})
