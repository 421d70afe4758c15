"""The bench's state on disk, so that a start need not apply a journal of years: disposable, and never trusted blindly.

The journal alone says what happened. A snapshot stands for one of its heads, and is used only where the journal still
has that head and the rules that led to it are this program's; anything else costs the time of a full replay. Ahead of
an update the new program can do that beside the old one, which is still at work: it has a file of its own for that.

    {"layout": 2, "derivation": …, "rules": …, "epoch": …, "sequence": …, "hash": …}
    the state, in the lines of `edge.kept.state`
    SHA-256 over the lines before, in hex
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import threading
from collections.abc import Callable
from itertools import chain
from pathlib import Path
from typing import Any

import gaugepost
from gaugepost.core.bench import State, follow
from gaugepost.core.errors import JournalError
from gaugepost.core.record import DERIVATION
from gaugepost.edge.collector import without_collector
from gaugepost.edge.files import settle
from gaugepost.edge.journal import Reader
from gaugepost.edge.kept.rules import fingerprint
from gaugepost.edge.kept.state import FOREIGN, archived_state, lines_of, state_of

FILE_NAME, AHEAD = "bench.snapshot", "bench.snapshot.ahead"
"""What a running service writes, and what was made ahead of an update by the program that comes after it."""

LAYOUT = 2
EVERY, AT_LATEST = 5000, 20_000
"""A snapshot is due after so many records, or a twentieth of the journal: writing stays a small part of the work.

With ten million records a snapshot takes 25 MB and 0.4 s of the processor's time; after a power cut a start applies at
most the last number, which takes about half a second."""

STEP, ON_THE_WAY = 10_000, 500_000
"""While a journal of years is applied, whoever waits hears of it, and snapshots are written, after so many records."""

SPARE_BYTES = 128 << 20
"""Room on the disk that is left to the journal: with less, no snapshot is written."""

_DIGEST_LINE = 65


class Snapshot:
    """A station's snapshot beside its journal. Calls block on the disk; any thread may make them.

    With `ahead` what is written goes into the file for an update, and the one of the service at work stays untouched.
    """

    def __init__(self, folder: Path, reader: Reader, *, ahead: bool = False) -> None:
        self._folder = folder
        self.path = folder / (AHEAD if ahead else FILE_NAME)
        self.finding = ""
        """Why the whole journal was applied at the start, where it was."""
        self.fits = False
        """Whether the file that a running service writes is of this program's rules."""
        self.whole = False
        """Whether no record was missing on the way; else no snapshot is written, which would hide that."""
        self._reader = reader
        # Of the sources as they are now: an update may put others in their place while this program is at work.
        self._program = _program()
        self._stands_for = self._tried = 0
        self._lock = threading.Lock()

    @property
    def due_beyond(self) -> int:
        """The sequence beyond which a snapshot is due."""
        return self._tried + min(max(EVERY, self._tried // 20), AT_LATEST)

    def restore(self, told: Callable[[int, int], None] | None = None, *, keep: bool = False) -> State:
        """Return the state that the journal leads to: from the snapshot on, or from the beginning.

        `told` hears (sequence, last) where that takes long. With `keep` a snapshot is written now and then, so that a
        kill in the middle does not have the next start begin anew; whoever only reads beside a service writes nothing.

        Raises:
            JournalError: the journal can't be read.
        """
        with without_collector():
            try:
                state = self._loaded()
            except _Unfit as unfit:
                self.finding, state = str(unfit), archived_state(self._reader)
            self._stands_for = self._tried = state.sequence
            accounted = next((last for last, _ in reversed(self._reader.epoch.earlier)), 0)
            # Where records are missing without a salvage's account, `verify` tells of it; a snapshot would hide it.
            self.whole = True
            last, _ = self._reader.head()
            for entry in self._reader.replay(after=state.sequence):
                next_one = entry.sequence == state.sequence + 1
                self.whole = self.whole and (next_one or entry.sequence <= accounted)
                state = follow(state, entry)
                if told is not None and state.sequence % STEP == 0:
                    told(state.sequence, last)
                if keep and state.sequence % ON_THE_WAY == 0:
                    self.save(state)
            if told is not None and state.sequence - self._tried >= STEP:
                told(state.sequence, state.sequence)
        return state

    def save(self, state: State) -> str:
        """Write a snapshot of a committed state; return why there is none, empty where all is well.

        A kill or a power cut at any moment leaves the old one or the new one.
        """
        with self._lock:
            self._tried = state.sequence
            if not self.whole or state.sequence <= self._stands_for:
                return ""
            new = self.path.with_name(f"{self.path.name}.new")
            try:
                entry = self._reader.entry(state.sequence)
                if entry is None:
                    return f"the journal has no record {state.sequence}"
                if shutil.disk_usage(self.path.parent).free < SPARE_BYTES:
                    return f"less than {SPARE_BYTES >> 20} MiB are free on the disk"
                header = self._program | {
                    "epoch": self._reader.epoch,
                    "sequence": entry.sequence,
                    "hash": entry.hash.hex(),
                }
                _write(new, header, state)
                settle(new, self.path)
            except (OSError, JournalError) as cause:
                with contextlib.suppress(OSError):
                    new.unlink(missing_ok=True)
                return str(cause)
            self._stands_for = state.sequence
            if self.path.name == FILE_NAME:
                _spend(self._folder / AHEAD, self._program)
            return ""

    def _loaded(self) -> State:
        """Return the state of the first file that can be trusted, else raise `_Unfit` for the service's own."""
        try:
            state = self._state_in(self._folder / FILE_NAME)
        except _Unfit as unfit:
            with contextlib.suppress(_Unfit):
                return self._state_in(self._folder / AHEAD)
            raise unfit from None
        self.fits = True
        return state

    def _state_in(self, path: Path) -> State:
        last, _ = self._reader.head()
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            if last == 0:
                return State()
            raise _Unfit("there is none") from None
        except OSError as cause:
            raise _Unfit(str(cause)) from cause
        lines, digest = data[:-_DIGEST_LINE], data[-_DIGEST_LINE:]
        if hashlib.sha256(lines).hexdigest().encode() + b"\n" != digest:
            raise _Unfit("it is damaged")
        try:
            header, plain, *counts = lines.splitlines()
            stands_for = json.loads(header)
            self._hold(stands_for)
            state = state_of(plain, counts)
            fits = state.sequence == stands_for["sequence"]
        except FOREIGN as cause:
            raise _Unfit("it is in no form of this program's") from cause
        if not fits:
            raise _Unfit("it is in no form of this program's")
        return state

    def _hold(self, stands_for: dict[str, Any]) -> None:
        """Raise `_Unfit` unless its rules are this program's and the journal has the head that it stands for."""
        for name, here in self._program.items():
            if stands_for.get(name) != here:
                raise _Unfit(f"it is of another version: {name} {stands_for.get(name)}, not {here}")
        if stands_for["epoch"] != self._reader.epoch:
            raise _Unfit("it is of another journal")
        entry = self._reader.entry(int(stands_for["sequence"]))
        if entry is None or entry.hash.hex() != stands_for["hash"]:
            raise _Unfit(f"the journal has no such record {stands_for['sequence']}")


class _Unfit(Exception):
    """Why the snapshot is not used."""


def _program() -> dict[str, str | int]:
    """Return what must be the same for a snapshot to mean the same: most updates change none of it."""
    return {"layout": LAYOUT, "derivation": DERIVATION, "rules": fingerprint(Path(gaugepost.__file__).parent)}


def _spend(path: Path, program: dict[str, str | int]) -> None:
    """Remove what was made ahead for this very program, which has its own by now; what waits for another stays."""
    try:
        with path.open("rb") as file:
            stands_for = json.loads(file.readline())
        if all(stands_for.get(name) == here for name, here in program.items()):
            path.unlink()
    except (OSError, *FOREIGN):
        return


def _write(path: Path, header: dict[str, Any], state: State) -> None:
    """Write a snapshot, one small map after the other, so that other threads get on."""
    digest = hashlib.sha256()
    with path.open("wb") as file:
        for plain in chain([header], lines_of(state)):
            line = json.dumps(plain, separators=(",", ":")).encode() + b"\n"
            digest.update(line)
            file.write(line)
        file.write(digest.hexdigest().encode() + b"\n")
