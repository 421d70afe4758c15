"""Keeps what every bench tells of itself in one folder, with the board that draws it: lag, due dates, suspects.

    python deploy/plant/collect.py deploy/plant/benches.csv board/ --tokens tokens/

The list is the one that station files are made of; its columns `bench` and `address` are read. Each bench is asked
every minute for GET /v1/metrics, all at the same time. One that does not answer keeps what it told last, and the board
says how old that is; here it is said when it falls silent and when it is back. Any web server may show the folder.
This needs nothing but Python, so that it runs on whatever computer watches the plant.
"""

from __future__ import annotations

import argparse
import csv
import http.client
import re
import shutil
import ssl
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

BOARD = Path(__file__).parents[1] / "monitoring" / "board.html"
ANSWER_S, MOST_BYTES, AT_ONCE = 10.0, 4_000_000, 32
_TOKEN = re.compile(r"[\x21-\x7e]+")
_BENCH = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}", re.ASCII)


class Unusable(Exception):
    """What was given can't be used; the text says what to write instead."""


@dataclass(frozen=True)
class Bench:
    """One bench: its name, and where it is asked."""

    name: str
    host: str
    port: int
    tls: bool
    token: str


def main(words: list[str]) -> int:
    """Ask all benches, again and again; return 1 where asked once and one was silent, 2 where nothing can be asked."""
    parser = argparse.ArgumentParser(prog="collect.py", description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument(
        "list", type=Path, help="CSV file with a row for each bench, and columns `bench` and `address`"
    )
    parser.add_argument("folder", type=Path, help="where scrapes, benches.txt and board.html go")
    parser.add_argument(
        "--tokens", type=Path, help="folder with a file BENCH.token for each bench that asks for one"
    )
    parser.add_argument("--ca-file", help="certificates (PEM) that those of the benches are held against")
    parser.add_argument("--every", type=float, default=60.0, metavar="SECONDS", help="how often (60)")
    parser.add_argument("--once", action="store_true", help="ask once and end")
    args = parser.parse_args(words)
    try:
        benches = listed(args.list, args.tokens)
        context = ssl.create_default_context(cafile=args.ca_file)
        args.folder.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(BOARD, args.folder / BOARD.name)
        _write(args.folder / "benches.txt", "".join(f"{each.name}.metrics\n" for each in benches).encode())
    except (OSError, UnicodeDecodeError, Unusable) as cause:
        print(cause, file=sys.stderr)
        return 2
    silent: dict[str, str] = {}
    with ThreadPoolExecutor(AT_ONCE) as asking:
        while True:
            begun = time.monotonic()
            answers = asking.map(lambda each: _kept(each, context, args.folder), benches)
            silent = _told(dict(zip((each.name for each in benches), answers, strict=True)), silent)
            if args.once:
                print(f"{len(benches) - len(silent)} of {len(benches)} benches told how they are")
                return 1 if silent else 0
            time.sleep(max(0.0, begun + args.every - time.monotonic()))


def listed(path: Path, tokens: Path | None) -> list[Bench]:
    """Return the benches of a list. Raises `Unusable`, `OSError` or `UnicodeDecodeError`."""
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = csv.DictReader(stream)
        found = [_bench(row, rows.line_num, tokens) for row in rows]
    names = [each.name for each in found]
    if twice := {name for name in names if names.count(name) > 1}:
        raise Unusable(f"{path}: {', '.join(sorted(twice))} is named twice; name each bench once")
    if not found:
        raise Unusable(f"{path}: there is no bench; write a row for each below a line `bench,address`")
    return found


def _bench(row: dict[str, str | None], line: int, tokens: Path | None) -> Bench:
    name, address = row.get("bench") or "", row.get("address") or ""
    if not _BENCH.fullmatch(name):
        raise Unusable(
            f"line {line}: {name!r} can't be the name of a bench; use letters, digits, dots, hyphens and underscores"
        )
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if (
        parts.scheme not in ("http", "https")
        or not parts.hostname
        or parts.path not in ("", "/")
        or parts.query
    ):
        raise Unusable(
            f"line {line}: {address!r} is no address of a bench; write it under `address` as https://bench-1.plant.example:8620"
        )
    tls, token = parts.scheme == "https", ""
    if tokens is not None and (file := tokens / f"{name}.token").exists():
        token = file.read_text(encoding="ascii").strip()
        if not _TOKEN.fullmatch(token):
            raise Unusable(
                f"{file} holds no token; write into it what gaugepost access grant printed, and nothing else"
            )
        if not tls and parts.hostname not in ("127.0.0.1", "::1", "localhost"):
            raise Unusable(f"line {line}: a token would go to {address} for all to read; write https://")
    return Bench(name, parts.hostname, port or (443 if tls else 80), tls, token)


def _kept(bench: Bench, context: ssl.SSLContext, folder: Path) -> str:
    """Ask a bench and keep what it tells; return why it can't be, or nothing."""
    try:
        _write(folder / f"{bench.name}.metrics", _asked(bench, context))
    except ssl.SSLCertVerificationError as cause:
        return f"its certificate is not trusted: {cause.verify_message}"
    except (OSError, ValueError, http.client.HTTPException, Unusable) as cause:
        return str(cause) or type(cause).__name__
    return ""


def _asked(bench: Bench, context: ssl.SSLContext) -> bytes:
    if bench.tls:
        at: http.client.HTTPConnection = http.client.HTTPSConnection(
            bench.host, bench.port, timeout=ANSWER_S, context=context
        )
    else:
        at = http.client.HTTPConnection(bench.host, bench.port, timeout=ANSWER_S)
    try:
        at.request(
            "GET", "/v1/metrics", headers={"Authorization": f"Bearer {bench.token}"} if bench.token else {}
        )
        answer = at.getresponse()
        told = answer.read(MOST_BYTES)
    finally:
        at.close()
    if answer.status in (401, 403):
        raise Unusable(
            "it wants a token of scope read: gaugepost access grant, then BENCH.token in the folder of --tokens"
        )
    if answer.status != 200 or not told.endswith(b"# EOF\n"):
        raise Unusable(f"what answers there tells no metrics ({answer.status})")
    return told


def _told(answers: dict[str, str], before: dict[str, str]) -> dict[str, str]:
    """Say what changed since the last time; return the benches that are silent, each with why."""
    silent = {name: why for name, why in answers.items() if why}
    for name in sorted(silent.keys() | before.keys()):
        if silent.get(name) != before.get(name):
            print(f"{name}: {silent.get(name) or 'answers again'}", file=sys.stderr, flush=True)
    return silent


def _write(path: Path, data: bytes) -> None:
    """Replace a file whole, so that nobody who looks finds half of it."""
    half = path.with_name(f".{path.name}.half")
    half.write_bytes(data)
    half.replace(path)


def _main(words: Iterable[str]) -> int:
    try:
        return main(list(words))
    except KeyboardInterrupt:
        return 0


if __name__ == "__main__":
    sys.exit(_main(sys.argv[1:]))
