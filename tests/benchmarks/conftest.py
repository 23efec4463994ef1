"""Ratios of times are measured alone: beside other test processes they say nothing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what is measured where tests run side by side (`-n`)."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    alone = pytest.mark.skip(reason="measured alone: uv run pytest tests/benchmarks")
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(alone)
