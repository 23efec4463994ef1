"""A lost sheet: the first healthy run becomes the serial's baseline, marked ours.

It says what this bench found, not what a maker or laboratory promised, so its name in every
limit is "our baseline".
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from acq.errors import WrongInput
from acq.readings.conformity import Conformity

# finding's name -> key of a calibration sheet, unit, key of its uncertainty
_KEPT: dict[str, tuple[str, str, str | None]] = {
    "resistance Ex+ Ex-": ("input_resistance", "ohm", "resistance_uncertainty"),
    "resistance S+ S-": ("output_resistance", "ohm", None),
    "zero balance": ("zero_balance", "V/V", "zero_balance_uncertainty"),
    "rated output": ("rated_output", "V/V", "rated_output_uncertainty"),
    "insulation leads to housing": ("insulation_resistance", "ohm", None),
}
_HEALTHY = (Conformity.PASS, Conformity.CONDITIONAL_PASS)


def baseline_table(
    findings: Iterable[Mapping[str, Any]],
    on: date,
    *,
    run: str,
    laboratory: str,
    temperature: float | None = None,
    excitation: float | None = None,
    position: str = "",
) -> dict[str, Any]:
    """Return the sheet's table, for `keeping.keep_sheet`, of the findings of a run.

    Raises WrongInput when a finding does not pass or nothing that a sheet holds was found.
    """
    told = list(findings)
    _refuse_unhealthy(told)
    table: dict[str, Any] = {"date": on, "laboratory": laboratory, "ours": True}
    table["note"] = f"baseline, measured by us in run {run}; no sheet was there"
    for finding in told:
        table |= _kept(finding)
    if not any(key in table for key, _, _ in _KEPT.values()):
        raise WrongInput(f"run {run} has nothing that a calibration sheet holds")
    conditions = {"temperature": (temperature, "degC"), "excitation": (excitation, "V")}
    table |= {k: f"{v!r} {unit}" for k, (v, unit) in conditions.items() if v is not None}
    return table | ({"position": position} if position else {})


def _refuse_unhealthy(findings: list[Mapping[str, Any]]) -> None:
    for finding in findings:
        conformity = finding["conformity"]
        if conformity is not None and Conformity(conformity) not in _HEALTHY:
            raise WrongInput(
                f"only a healthy cell gives a baseline: {finding['name']} is {conformity}"
            )


def _kept(finding: Mapping[str, Any]) -> dict[str, Any]:
    key, unit, uncertainty = _KEPT.get(finding["name"], ("", "", None))
    value = finding["value"]
    if not key or value is None:
        return {}
    sign = {"above": "> ", "below": "< "}.get(finding["limit_kind"] or "", "")
    kept = {key: f"{sign}{value!r} {unit}"}
    if sign and key != "insulation_resistance":
        return {}
    if uncertainty and finding["expanded_uncertainty"]:
        kept[uncertainty] = f"{finding['expanded_uncertainty']!r} {unit}"
    return kept
