"""What a schema is made of: tables.sql and views.sql, with the vocabulary's columns in them, for a schema's name.

A column is only ever added, so that stations of several versions can share a schema. Whoever makes it by hand has it
printed: python -m gaugepost_adapters.destinations.postgres
"""

from __future__ import annotations

import re
from pathlib import Path

from gaugepost_adapters.destinations.postgres.rows import COLUMNS, NEVER_NULL

LAYOUT = 1
"""Number of what can't be had by adding a column. A program that knows a smaller one leaves a schema alone."""
VIEWS = 4
"""Number of the views, counted up where one is changed or added: a station that knows more makes them anew."""

KEY = ("id", "measured_at")
"""The key: a record's id; that of a partitioned table holds what it is partitioned by, which never changes either."""

NAMES = (
    "lineage", "doubts", "original", "standing", "last_results", "spc_subgroups", "suspect_list", "checks",
    "suspects",
)  # fmt: skip
"""The views."""


def tables(schema: str) -> str:
    """Return the statements that make the table and what it needs; they may be repeated."""
    columns = "\n".join(
        f"    {name} {told}{' NOT NULL' if name in NEVER_NULL else ''}," for name, told in COLUMNS.items()
    )
    return _named(_read("tables.sql").replace("    -- columns", columns), schema)


def views(schema: str) -> str:
    """Return the statements that make the views, or bring them up to date, and say so in the schema."""
    text = _read("views.sql").replace(":layout", str(LAYOUT)).replace(":views", str(VIEWS))
    return _named(text, schema)


def column(schema: str, name: str) -> str:
    """Return the statement that adds a column which a newer program fills."""
    return _named(f"ALTER TABLE gaugepost.record ADD COLUMN IF NOT EXISTS {name} {COLUMNS[name]};", schema)


def columns(schema: str) -> list[str]:
    """Return the statements that add every column there can be; those that are there stay."""
    return [column(schema, name) for name in COLUMNS if name not in NEVER_NULL]


def lock(schema: str) -> str:
    """Return the name under which whoever changes the schema keeps others from doing so."""
    return _named("gaugepost.record", schema)


def _read(name: str) -> str:
    return Path(__file__).with_name(name).read_text(encoding="utf-8")


def _named(text: str, schema: str) -> str:
    return re.sub(r"\bgaugepost(?=[.;])", f'"{schema}"', text)
