"""The pictures of a load series, by file name."""

from __future__ import annotations

from collections.abc import Mapping

from acq.analysis.load_pictures import class_picture, deviation_picture, hysteresis_picture
from acq.desk.load_series_findings import Findings


def pictures(findings: Findings) -> Mapping[str, str]:
    """Return pictures by file name."""
    made: dict[str, str] = {}
    unit = findings.units.load
    if findings.results is not None:
        made["deviation.svg"] = deviation_picture(findings.results, unit)
    if findings.terminal is not None and findings.terminal.hysteresis is not None:
        made["hysteresis.svg"] = hysteresis_picture(findings.terminal, unit)
    if findings.test is not None:
        made["class.svg"] = class_picture(findings.test, unit)
    return made
