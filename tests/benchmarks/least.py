"""The least that could be done in Python to keep a reading before it is published: what the goals leave us beside it.

One event loop, one thread that commits, the journal's own tables and safety, and a socket; `float`, four names of JSON.
Nothing is decided, corrected, judged, chained or looked after. A program: `least.py BROKER TOPIC FILE DEVICE...`.
"""

from __future__ import annotations

import asyncio
import json
import os
import queue
import socket
import sqlite3
import sys
import threading
import time
import tty
from itertools import chain, count

from gaugepost.edge.journal import schema

BODY = bytes(300)
"""About as long as a reading's."""
CHECKPOINT = 250

Said = tuple[int, str, str]
"""A gauge's number, its value and its unit."""


def connected(port: int) -> socket.socket:
    """Return a connection to the broker (MQTT 3.1.1, 3.1)."""
    far = socket.create_connection(("127.0.0.1", port))
    far.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    far.sendall(b"\x10\x11\x00\x04MQTT\x04\x02\x00\x00\x00\x05least")
    assert far.recv(4) == b"\x20\x02\x00\x00"
    far.setblocking(False)
    return far


def packet(topic: str, said: Said, number: int) -> bytes:
    """Return one PUBLISH at QoS 1 (MQTT 3.1.1, 3.3)."""
    at, value, unit = said
    name = f"{topic}/g{at}".encode()
    payload = json.dumps({"time": time.time(), "gauge": f"g{at}", "value": float(value), "unit": unit})
    body = len(name).to_bytes(2) + name + (number % 65535 + 1).to_bytes(2) + payload.encode()
    low, high = len(body) % 128, len(body) // 128
    return b"\x32" + (bytes((low | 128, high)) if high else bytes((low,))) + body


def opened(path: str) -> sqlite3.Connection:
    """Return a new database with the journal's tables, as safe as the journal."""
    db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA wal_autocheckpoint = 0")
    for statement in schema.TABLES:
        db.execute(statement)
    return db


async def run(broker: int, topic: str, path: str, devices: list[str]) -> None:
    """Publish whatever the gauges say, once it is on disk."""
    loop, todo = asyncio.get_running_loop(), queue.SimpleQueue[Said]()
    far, db, sequence, sent = connected(broker), opened(path), count(1), count(1)

    def publish(saids: list[Said]) -> None:
        far.send(b"".join(packet(topic, said, next(sent)) for said in saids))

    def write() -> None:
        while True:
            saids = [todo.get()]
            while not todo.empty():
                saids.append(todo.get_nowait())
            rows = [
                (next(sequence), int(time.time() * 1000), 1, said[0], 2, 3, None, b"", BODY) for said in saids
            ]
            places = ", ".join(["(?, ?, ?, ?, ?, ?, ?, ?, ?)"] * len(rows))
            db.execute(f"INSERT INTO records VALUES {places}", list(chain.from_iterable(rows)))  # noqa: S608
            loop.call_soon_threadsafe(publish, saids)
            if rows[-1][0] % CHECKPOINT < len(rows):
                db.execute("PRAGMA wal_checkpoint(PASSIVE)")

    def listen(at: int, device: str) -> None:
        port, half = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK), bytearray()
        tty.setraw(port)

        def read() -> None:
            half.extend(os.read(port, 4096))
            while (end := half.find(b"\n")) >= 0:
                value, unit = half[:end].decode().split()
                del half[: end + 1]
                todo.put((at, value, unit))

        loop.add_reader(port, read)

    loop.add_reader(far, lambda: far.recv(1 << 16))
    threading.Thread(target=write, daemon=True).start()
    for at, device in enumerate(devices):
        listen(at, device)
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    _, broker, topic, path, *devices = sys.argv
    asyncio.run(run(int(broker), topic, path, devices))
