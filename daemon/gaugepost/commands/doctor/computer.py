"""The computer under a station: data folder, disk, clock, certificate, journal. Changes nothing."""

from __future__ import annotations

import os
import shutil
import ssl
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from gaugepost.commands.doctor.findings import Found, fault, warning, well
from gaugepost.core.errors import JournalError, SettingsError
from gaugepost.core.publication import rfc3339
from gaugepost.edge.access import AccessFile, PeopleFile
from gaugepost.edge.evidence import keys
from gaugepost.edge.journal import Reader
from gaugepost.edge.journal.room import look_at
from gaugepost.edge.stationfile import Station
from gaugepost.service import encryption_of
from gaugepost.service.server import listener
from gaugepost.shell.backups.kept import cautioned, kept

NETWORKED = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "ceph", "glusterfs"})
"""File systems that don't keep what SQLite writes in the order that a power cut needs (SQLite's "How To Corrupt")."""
MOUNTS = Path("/proc/self/mounts")
SOON_DAYS = 30


def folder(station: Station) -> Iterator[Found]:
    """Look at the data folder: there, ours to write, on a disk of this computer with room on it."""
    data = station.data
    there = next(each for each in (data, *data.parents) if each.exists())
    if not os.access(there, os.W_OK | os.X_OK):
        user = _user()
        yield fault(
            "data folder",
            f"{there} may not be written by {user}",
            f"chown {user} {there}, or run as its owner",
        )
    else:
        yield well("data folder", f"{data} {'can be written' if there == data else 'can be made'}")
    room = look_at(data, station.disk_floor, time.time_ns() // 1_000_000)
    if room is not None and (finding := room.warning(station.disk_warning_ms)):
        yield (fault if room.is_below else warning)(
            "disk", finding, f"gaugepost archive {data} FOLDER --before DAY"
        )
    elif room is not None:
        yield well("disk", room.told())
    kind = _file_system(there)
    if kind in NETWORKED:
        yield fault("disk", f"{there} lies on a network share ({kind}), which can't keep a journal safely",
                    'name a folder on a disk of this computer: data = "/var/lib/gaugepost"')  # fmt: skip


def journal(station: Station) -> Iterator[Found]:
    """Look whether the journal can be read and is this station's, and at its last record."""
    if not (station.data / "journal.db").exists():
        yield well("journal", "none yet; the first start makes one")
        return
    try:
        with closing(Reader(station.data)) as reader:
            sequence, _ = reader.head()
            last = reader.entry(sequence) if sequence else None
            name = reader.station
    except JournalError as error:
        yield fault("journal", error.finding, error.hint)
        return
    if name != station.name:
        yield fault("journal", f"it is the journal of station {name!r}, not of {station.name!r}",
                    "name that station in the station file, or give this one a data folder of its own")  # fmt: skip
        return
    yield well("journal", f"{sequence} records; `gaugepost verify {station.data}` proves them")
    if last is not None and last.record.measured_at > time.time_ns() // 1_000_000 + 60_000:
        yield fault(
            "clock", f"the last record is of {rfc3339(last.record.measured_at)}, which is yet to come",
            "set the clock right before anything is measured: verdicts wait for checks where time went back",
        )  # fmt: skip


def backups(station: Station) -> Iterator[Found]:
    """Look at the folder of scheduled backups, where there is to be one."""
    if station.backup is None:
        return
    finding, _, remedy = cautioned(station.backup, station.data / "journal.db", station.disk_floor).partition(
        "; "
    )
    if finding:
        yield warning("backups", finding, remedy)
        return
    found = kept(station.backup.folder, station.name)
    newest = f"the newest is {found[0].path.name}" if found else "none is there yet"
    yield well("backups", f"{station.backup.folder} can be written, {newest}")


def checkpoints(station: Station) -> Iterator[Found]:
    """Look at the key that signs checkpoints, where there is to be one."""
    if station.checkpoints is None:
        return
    try:
        public = keys.read(station.checkpoints.key).public
    except SettingsError as error:
        yield fault("checkpoints", error.finding, error.hint)
        return
    yield well("checkpoints", f"the key can be used; its public key is {public.hex()}")


def clock() -> Iterator[Found]:
    """Ask the system whether its clock follows a time server."""
    tool = shutil.which("timedatectl")
    said = ""
    if tool:
        try:
            done = subprocess.run([tool, "show", "-p", "NTPSynchronized", "--value"],
                                  capture_output=True, text=True, timeout=10)  # fmt: skip
            said = done.stdout.strip()
        except (OSError, subprocess.TimeoutExpired):
            said = ""
    if said == "yes":
        yield well("clock", "follows a time server")
    elif said == "no":
        yield warning("clock", "follows no time server: times on records are as right as whoever set it",
                      "timedatectl set-ntp true, with a time server that this computer reaches")  # fmt: skip
    else:
        yield warning("clock", "nobody here can say whether it follows a time server",
                      "look whether the time is right, and have it set by a time server")  # fmt: skip


def door(station: Station) -> Iterator[Found]:
    """Look at certificate, names and tokens of a service that asks for them."""
    encryption = encryption_of(station)
    if encryption is not None:
        try:
            context = encryption.context()
        except SettingsError as error:
            yield fault("certificate", error.finding, error.hint)
        else:
            yield from _certificate(station, context)
    if not station.tokens:
        return
    try:
        grants = AccessFile(station.data).grants()
        people = [person.id for person in PeopleFile(station.data).people() if person.counts]
    except SettingsError as error:
        yield fault("tokens", error.finding, error.hint)
        return
    now_ms = time.time_ns() // 1_000_000
    counting = [grant.name for grant in grants if grant.counts(now_ms)]
    if counting:
        yield well("tokens", f"{len(counting)} count: {', '.join(counting[:10])}")
    if people:
        yield well("people", f"{len(people)} may sign in: {', '.join(people[:10])}")
    if not counting and not people:
        yield warning(
            "tokens", "nobody has one or may sign in, so nobody can ask",
            "gaugepost access grant NAME --station FILE, or gaugepost access add ID --station FILE",
        )  # fmt: skip


def _certificate(station: Station, context: ssl.SSLContext) -> Iterator[Found]:
    """Shake hands with ourselves in memory, as a client that trusts this very certificate, for each name."""
    assert station.certificate is not None
    ends = ""
    for name in station.names or ("localhost",):
        client = ssl.create_default_context(cafile=station.certificate)
        client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        try:
            ends = _shaken(context, client, name.strip("[]"))
        except ssl.SSLCertVerificationError as error:
            other = f"have it made for {name} too, or name it so under [service]"
            remedy = "renew it" if "expired" in error.verify_message else other
            yield fault("certificate", f"{station.certificate} is not right for {name}: {error.verify_message}",
                        remedy)  # fmt: skip
            return
    left_days = int((ssl.cert_time_to_seconds(ends) - time.time()) / 86_400)
    if left_days < SOON_DAYS:
        yield warning(
            "certificate", f"it ends in {left_days} days", "renew it; the service takes the new one by itself"
        )
    else:
        yield well("certificate", f"good for {', '.join(station.names)}, {left_days} days more")


def _shaken(server_context: ssl.SSLContext, client_context: ssl.SSLContext, name: str) -> str:
    """Return when the certificate ends. Raises `SSLCertVerificationError` where a client would not take it."""
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = client_context.wrap_bio(to_client, to_server, server_hostname=name)
    server = server_context.wrap_bio(to_server, to_client, server_side=True)
    waiting = [client, server]
    while waiting:
        side = waiting.pop(0)
        try:
            side.do_handshake()
        except ssl.SSLWantReadError:
            waiting.append(side)
    found = client.getpeercert() or {}
    return str(found["notAfter"])


def address(station: Station, *, runs: bool) -> Iterator[Found]:
    """Look whether the address can be listened at, where the service does not run."""
    if runs:
        return
    try:
        listener(station.host, station.port).close()
    except SettingsError as error:
        yield fault("address", error.finding, error.hint)
    else:
        yield well("address", f"{station.host} port {station.port} is free")


def _file_system(path: Path) -> str:
    """Return the kind of the file system that `path` lies on; empty where the system does not say."""
    try:
        mounts = [line.split() for line in MOUNTS.read_text("utf-8", "replace").splitlines()]
    except OSError:
        return ""
    real = str(path.resolve())
    best = ("", "")
    for _, at, kind, *_ in mounts:
        at = at.replace("\\040", " ")
        if (real == at or real.startswith(at.rstrip("/") + "/")) and len(at) >= len(best[0]):
            best = (at, kind)
    return best[1]


def _user() -> str:
    import pwd

    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())
