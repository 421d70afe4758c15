"""Print what a schema is made of, for whoever makes it by hand: python -m gaugepost_adapters.destinations.postgres"""

from __future__ import annotations

import argparse

from gaugepost_adapters.destinations.postgres import ddl
from gaugepost_adapters.destinations.postgres.settings import check_schema


def main() -> None:
    """Print the statements for the schema that is named."""
    parser = argparse.ArgumentParser(
        prog="python -m gaugepost_adapters.destinations.postgres",
        description="Print the SQL that makes what the destination postgres writes to, or adds what is missing there.",
    )
    parser.add_argument("schema", nargs="?", default="gaugepost", help='the schema, "gaugepost" unless named')
    schema = parser.parse_args().schema
    try:
        check_schema(schema)
    except ValueError as wrong:
        parser.error(str(wrong))
    print("BEGIN;", ddl.tables(schema), sep="\n")
    print("-- What an older program did not know.", *ddl.columns(schema), "", sep="\n")
    print(ddl.views(schema), "COMMIT;", sep="\n")


if __name__ == "__main__":
    main()
