"""The outside checks of the installed copy, all together, as a document for the records."""

from __future__ import annotations

import platform
from collections.abc import Iterator
from importlib.metadata import version
from typing import Any

from acq.validation import bridge_checks, load_checks, uncertainty_checks
from acq.validation.check import Comparison, PublishedCheck, compare

LIBRARIES = ("bridgebench", "GTC", "numpy", "scipy", "pint")


def all_checks() -> Iterator[tuple[str, PublishedCheck]]:
    """Yield (section, check) in the order in which they are shown."""
    for section, checks in (
        ("uncertainty and decision rules", uncertainty_checks.CHECKS),
        ("load series, weights and air", load_checks.CHECKS),
        ("bridges, cables and loops", bridge_checks.CHECKS),
    ):
        for check in checks:
            yield section, check


def run_all() -> list[tuple[str, Comparison]]:
    """Compute every published figure with this copy and these libraries."""
    return [(section, compare(check)) for section, check in all_checks()]


def document(compared: list[tuple[str, Comparison]], by: str) -> dict[str, Any]:
    """Return what is kept: versions, who asked, and each figure beside ours."""
    return {
        "by": by,
        "versions": {name: version(name) for name in LIBRARIES},
        "python": platform.python_version(),
        "machine": f"{platform.system()} {platform.machine()}",
        "agree": sum(each.agrees for _, each in compared),
        "checks": [{"section": section, **each.as_json()} for section, each in compared],
    }
