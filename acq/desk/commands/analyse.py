"""`bridgebench analyse ...`: results from readings that were taken elsewhere, without a bench."""

from __future__ import annotations

import click

from acq.desk.lazy import LazyGroup

ANALYSES: dict[str, str] = {
    "chain": "acq.desk.commands.analyse_chain:chain",
    "creep": "acq.desk.commands.analyse_creep:creep",
    "drift": "acq.desk.commands.analyse_drift:drift",
    "leads": "acq.desk.commands.analyse_leads:leads",
    "load-series": "acq.desk.commands.analyse_load_series:load_series",
}


@click.group(cls=LazyGroup, members=ANALYSES)
def analyse() -> None:
    """Analyse readings from a file, without a bench."""
