"""What deliveries still need of a journal: read from beside a service that is stopped, without changing anything."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Collection
from pathlib import Path

from gaugepost.core.errors import JournalError
from gaugepost.core.publication import Epoch

FILE_NAME = "deliveries.db"


def undelivered(folder: Path, epoch: Epoch, gone: Collection[str] = ()) -> list[tuple[int, str]]:
    """Return by destination the first record that it has not got, and records that it refused, each with what to do.

    `gone` are destinations that need nothing any more.

    Raises:
        JournalError: nobody knows what was delivered, or one of `gone` never was.
    """
    path = folder / FILE_NAME
    if not path.is_file():
        raise JournalError(
            f"{FILE_NAME} is not beside the journal, so nobody knows what was delivered",
            hint="name the station's data folder, after the station has run there",
        )
    try:
        with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
            if db.execute("SELECT EXISTS (SELECT 1 FROM lost)").fetchone() == (1,):
                raise JournalError(
                    "cursors were lost, and every destination starts over",
                    hint="let the station run until they got it all",
                )
            rows = db.execute("SELECT destination, epoch, through FROM cursor").fetchall()
            refused = db.execute(
                "SELECT destination, epoch, min(sequence) FROM aside WHERE skipped IS NULL GROUP BY 1, 2"
            ).fetchall()
    except sqlite3.Error as cause:
        raise JournalError(
            f"{FILE_NAME} can't be read: {cause}", hint="start the station once, then stop it"
        ) from cause
    names = {name for name, _, _ in rows}
    if unknown := sorted(set(gone) - names):
        raise JournalError(
            f"there never was a destination {unknown[0]}",
            hint=f"there are: {', '.join(sorted(names)) or 'none'}",
        )
    own = [str(epoch), *(earlier for _, earlier in reversed(epoch.earlier))]
    found = []
    for name in sorted(names - set(gone)):
        reached = {of: through for each, of, through in rows if each == name}
        through = next((reached[each] for each in own if each in reached), 0)
        found.append(
            (
                through + 1,
                f"{name} has not got it: let it deliver, or add --without {name} if it is gone for good",
            )
        )
    for name, of, sequence in refused:
        if name not in gone and of in own:
            found.append(
                (sequence, f"{name} refused it: `gaugepost deliveries` hands it over again or skips it")
            )
    return found
