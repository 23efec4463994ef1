"""Many rows at once, inside the caller's transaction: executemany on SQLite, COPY on psycopg."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Table, TypeDecorator


def insert_rows(
    connection: Connection, table: Table, columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> None:
    """Insert rows of driver values in the order of `columns`.

    Values go to the driver as they are: a column with a type of our own (moments) is not
    converted here, so such a table is refused (TypeError).
    """
    for name in columns:
        if isinstance(table.c[name].type, TypeDecorator):
            raise TypeError(f"{table.name}.{name} needs its conversion: insert it singly")
    if connection.dialect.name == "postgresql":
        _copy(connection, table, columns, rows)
        return
    marks = ", ".join("?" * len(columns))
    statement = f"INSERT INTO {table.name} ({', '.join(columns)}) VALUES ({marks})"
    if listed := [tuple(row) for row in rows]:
        connection.exec_driver_sql(statement, listed)


def _copy(
    connection: Connection, table: Table, columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> None:
    driver: Any = connection.connection.driver_connection
    names = ", ".join(f'"{name}"' for name in columns)
    with (
        driver.cursor() as cursor,
        cursor.copy(f'COPY "{table.name}" ({names}) FROM STDIN') as copy,
    ):
        for row in rows:
            copy.write_row(row)
