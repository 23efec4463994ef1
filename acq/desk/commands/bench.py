"""`bridgebench bench ...`: set up a bench from the manuals, and look at it without a run."""

from __future__ import annotations

import click

from acq.desk.lazy import LazyGroup

BENCH: dict[str, str] = {
    "check": "acq.desk.commands.bench_check:check",
    "clear": "acq.desk.commands.bench_clear:clear",
    "find": "acq.desk.commands.bench_find:find",
    "new": "acq.desk.commands.bench_new:new",
    "off": "acq.desk.commands.bench_off:off",
    "read": "acq.desk.commands.bench_read:read",
}


@click.group(cls=LazyGroup, members=BENCH)
def bench() -> None:
    """Write a bench file, check a bench, read one instrument."""
