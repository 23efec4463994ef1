"""Numbers for runs, certificates, jobs and lots: one row a kind and year, none given twice."""

from __future__ import annotations

from sqlalchemy import Connection, insert, select, update

from acq.errors import WrongInput
from acq.records.tables import numbers

_LETTERS = {"run": "R", "certificate": "C", "job": "J", "lot": "L"}


def next_number(connection: Connection, kind: str, year: int) -> str:
    """Give out the next number of a kind in a year, such as "R-2026-0042".

    The caller holds the only writing transaction. Raises WrongInput for an unknown kind.
    """
    letter = _LETTERS.get(kind)
    if letter is None:
        raise WrongInput(f"no numbers of kind {kind!r}; known: {', '.join(_LETTERS)}")
    mine = (numbers.c.kind == kind) & (numbers.c.year == year)
    last = connection.scalar(select(numbers.c.last).where(mine))
    if last is None:
        connection.execute(insert(numbers), {"kind": kind, "year": year, "last": 1})
        return f"{letter}-{year}-0001"
    connection.execute(update(numbers).where(mine).values(last=last + 1))
    return f"{letter}-{year}-{last + 1:04d}"
