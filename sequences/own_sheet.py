"""A load result beside the same one on the cell's own calibration sheet: E_n with both U.

Only where the sheet states value and uncertainty. An allowance about a value without one is
among the limits (`acq/cells/limits.py`); a comparison of two laboratories it is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from acq.analysis.propagation import Result
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.findings import Finding
from acq.runs.run import Run
from sequences.load_findings import told

_RULE = "normalised error"


def against_own_sheet(
    run: Run[Any],
    check: Check,
    result: Result,
    name: str,
    unit: str,
    limits: Sequence[Limit],
) -> Finding | None:
    """Keep the comparison as a finding; None where the sheet does not state both.

    E_n score (ISO 13528): |E_n| up to 1 says that both agree within their uncertainties.
    """
    own = next((limit for limit in limits if limit.reference is not None), None)
    if own is None or not states_uncertainty(run, name) or result.expanded is None:
        return None
    limit = replace(own, decides=True)
    return told(run, check, result, f"{name} against its own sheet", unit, [limit], rule=_RULE)


def states_uncertainty(run: Run[Any], name: str) -> bool:
    """Whether the cell's own sheet states an uncertainty of what this finding is about."""
    sheet = run.cell.sheet
    if sheet is None:
        return False
    if name.startswith("rated output"):
        return sheet.rated_output_uncertainty is not None
    if name.startswith("zero at the rig"):
        return sheet.zero_balance_uncertainty is not None
    return sheet.characteristics_uncertainty is not None
