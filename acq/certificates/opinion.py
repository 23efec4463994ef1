"""The section of opinions: what the run's diagnosis said, apart from the results it rests on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from acq.certificates import wording
from acq.records.recorded_run import RecordedRun

APART = (
    "Computed from the results above, and no result itself (ISO/IEC 17025:2017, 7.8.7); whoever"
    " approves this certificate answers for it."
)
_AT_MOST = 3  # of the candidates; the attached run has all of them


def opinion(run: RecordedRun) -> list[str]:
    """Return the diagnosis as sentences, the likeliest first; empty where none was made."""
    told = [line.content["got"] for line in run.effects("diagnosis")]
    texts = [text for each in told[-1:] for text in _sentences(each)]
    return [wording.signs(text) for text in [*texts, APART]] if texts else []


def _sentences(told: Mapping[str, Any]) -> Iterator[str]:
    for fault in (told.get("faults") or [])[:_AT_MOST]:
        yield _candidate(fault)
    if following := told.get("next_test"):
        yield f"Next test: {following}"
    if of := told.get("probabilities"):
        yield f"{of[:1].upper()}{of[1:]}."


def _candidate(fault: Mapping[str, Any]) -> str:
    name = str(fault["fault"]).replace("-", " ")
    where = f" at {' '.join(fault['where'])}" if fault.get("where") else ""
    evidence = " ".join(fault.get("evidence") or [])
    share = f"probability {fault['probability']:.2f}"
    return f"{name[:1].upper()}{name[1:]}{where}, {share}. {evidence}".rstrip()
