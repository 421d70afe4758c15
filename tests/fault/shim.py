"""Python's side of shim.c: compile it, start a process under it, tell it what to break, read what happened.

    shim = Shim(tmp_path)
    child = subprocess.Popen([...], env={**os.environ, **shim.env()})
    shim.inject(["fdatasync|fsync *journal.db-wal errno=EIO"])
    ...
    synced = next(e for e in shim.events() if e.call in SYNCS and e.target.endswith("journal.db-wal"))

Rules are `CALLS GLOB [errno=N|NAME] [stall_ms=N] [short=N] [kill=1] [after=N] [count=N]`; CALLS is one of `CALLS`
below, several with `|` between, or `*`; GLOB is matched against the whole path (`socket` for any socket, the new name
for a rename). `short` lets only the first N bytes through; with `kill` that is a torn write and the end of the
process, and `kill` alone ends it before the call. `after` lets the first N matches pass, `count` bounds how many are
affected; both count per process, and from nothing again whenever the rules change.

Not seen: memory-mapped writes, io_uring, sendfile, and programs linked statically.
"""

import errno
import hashlib
import os
import re
import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

SYNCS = frozenset({"fsync", "fdatasync"})
WRITES = frozenset({"write", "pwrite", "writev"})
SENDS = frozenset({"send", "sendto", "sendmsg"})
CALLS = SYNCS | WRITES | SENDS | {"ftruncate", "rename"}
"""Every call the shim stands in for; pwrite64 and ftruncate64 go by their plain names."""

_SOURCE = Path(__file__).with_name("shim.c")
_BUILT = Path(__file__).parents[2] / ".pytest_cache" / "shim"
_SETTING = re.compile(r"errno=(\d+|E[A-Z0-9]+)|(stall_ms|short|kill|after|count)=\d+")
_MAX_RULES = 64  # as in shim.c


@dataclass(frozen=True, slots=True)
class Event:
    """One call as it happened; it had not begun before `begin_ns` and was over by `end_ns` (CLOCK_MONOTONIC)."""

    begin_ns: int
    end_ns: int
    pid: int
    tid: int
    call: str
    target: str
    asked: int
    result: int
    error: int
    data: bytes
    """At most the first 64 bytes; for a rename, the old name."""


@dataclass(frozen=True, slots=True)
class Done:
    """A call that was done to a file: its bytes and where they went; `at` is the new size for an ftruncate."""

    call: str
    target: str
    at: int
    data: bytes


def taped(path: Path) -> list[Done]:
    """Return what is on the tape at `path`, in the order in which it was done."""
    tape, at, done = path.read_bytes(), 0, list[Done]()
    while (end := tape.find(b"\n", at)) >= 0:
        call, target, offset, size = tape[at:end].decode().split("\t")
        length = int(size) if call in WRITES else 0
        done.append(Done(call, target, int(offset), tape[end + 1 : end + 1 + length]))
        at = end + 1 + length
    return done


class Shim:
    """One log and one set of rules, both in `folder`; any number of processes may run under it."""

    def __init__(self, folder: Path) -> None:
        self.log = folder / "shim.log"
        self.control = folder / "shim.rules"

    def env(self) -> dict[str, str]:
        """What to add to the environment of a process that is to run under this shim."""
        return shim_env(log=self.log, control=self.control)

    def inject(self, rules: Iterable[str]) -> None:
        """Put `rules` in force, in place of any before, for every call that begins after this returns."""
        lines = [_checked(rule) for rule in rules]
        if len(lines) > _MAX_RULES:
            raise ValueError(f"at most {_MAX_RULES} rules, not {len(lines)}")
        # A new file each time: the shim tells rules apart by inode and time, and never reads half of them.
        fd, name = tempfile.mkstemp(dir=self.control.parent)
        with os.fdopen(fd, "w") as file:
            file.write("".join(f"{line}\n" for line in lines))
        Path(name).replace(self.control)

    def clear(self) -> None:
        """Let every call through again."""
        self.inject([])

    def events(self) -> list[Event]:
        """Every call so far that is over, in the order of their ends; a killed process's last line may be lost."""
        if not self.log.exists():
            return []
        whole, _, _ = self.log.read_bytes().rpartition(b"\n")
        return sorted((_event(line) for line in whole.decode().splitlines()), key=lambda e: e.end_ns)


def shim_env(
    log: Path | None = None, control: Path | None = None, tape: Path | None = None
) -> dict[str, str]:
    """The environment that puts a process under the shim, logging to `log` and obeying `control` where given.

    On `tape` everything is kept that is written to files, by write, pwrite and ftruncate: `taped` reads it.
    """
    env = {"LD_PRELOAD": str(built(_SOURCE))}
    if log is not None:
        env["GAUGEPOST_SHIM_LOG"] = str(log)
    if control is not None:
        env["GAUGEPOST_SHIM_CONTROL"] = str(control)
    if tape is not None:
        env["GAUGEPOST_SHIM_TAPE"] = str(tape)
    return env


def built(source: Path) -> Path:
    """The library made of `source`, made when that has changed; needs gcc, and fails without it."""
    made = _BUILT / f"{source.stem}-{hashlib.sha256(source.read_bytes()).hexdigest()[:16]}.so"
    if not made.exists():
        _BUILT.mkdir(parents=True, exist_ok=True)
        # Made aside and moved into place, so that two test runs at once never load half a library.
        with tempfile.TemporaryDirectory(dir=_BUILT) as aside:
            new = Path(aside) / "made.so"
            flags = ["-shared", "-fPIC", "-O2", "-Wall", "-Werror", "-pthread"]
            subprocess.run(["gcc", *flags, "-o", str(new), str(source), "-ldl"], check=True)
            new.replace(made)
    return made


def _checked(rule: str) -> str:
    """`rule` as shim.c reads it. Raises ValueError on what shim.c would quietly pass over."""
    calls, glob, *settings = rule.split(" ")
    if calls != "*" and not set(calls.split("|")) <= CALLS:
        raise ValueError(f"{rule!r}: the shim knows the calls {', '.join(sorted(CALLS))}")
    if not glob or not settings or not all(_SETTING.fullmatch(setting) for setting in settings):
        raise ValueError(f"{rule!r}: expected CALLS GLOB and settings such as errno=EIO or stall_ms=100")
    return re.sub(r"errno=(E[A-Z0-9]+)", lambda m: f"errno={getattr(errno, m[1])}", rule)


def _event(line: str) -> Event:
    begin, end, pid, tid, call, target, asked, result, error, data = line.split("\t")
    return Event(
        int(begin),
        int(end),
        int(pid),
        int(tid),
        call,
        target,
        int(asked),
        int(result),
        int(error),
        bytes.fromhex(data),
    )
