"""The document of `analyse load-series --json`: SI, and fractions of the rated output."""

from __future__ import annotations

from typing import Any

from acq.analysis.degree_choice import DegreeChoice
from acq.analysis.load_results import OF_RATED_OUTPUT
from acq.analysis.oiml_r60 import EDITION
from acq.analysis.polynomial import Polynomial
from acq.analysis.propagation import Result
from acq.desk.class_judgement import overall, to_json
from acq.desk.load_series_findings import Findings
from acq.desk.load_units import Units, place


def document(findings: Findings) -> dict[str, Any]:
    """Return everything that was computed; counts stay counts, where a file is in counts."""
    series, units = findings.series, findings.units
    return {
        "file": findings.file,
        "load_unit": units.load_si,
        "output_unit": units.output_si,
        "readings": len(series.readings),
        "runs": list(series.runs),
        "minimum_load": units.si_load(series.minimum_load),
        "maximum_load": units.si_load(series.maximum_load),
        "line": findings.line.value,
        "results": _results(findings),
        "results_missing": findings.without_results or None,
        "residuals": _residuals(findings),
        "polynomial": _polynomial(findings),
        "solved_loads": [
            _solved(found, units) | {"output": output} for output, found in findings.solved
        ],
        "class": _class(findings),
        "lower_limit_factor": _factor(findings),
        "force_indices": _forces(findings),
        "notes": findings.notes,
    }


def in_units(found: Result, units: Units) -> dict[str, Any]:
    """Return a result with the name of the unit that its numbers are in."""
    named = {"V/V": units.output_si, "V/V per v": f"{units.output_si} per v"}
    unit = named.get(found.unit, found.unit)
    return found.to_json() | {"unit": unit, "where": place(found.where, units)}


def _results(findings: Findings) -> list[dict[str, Any]] | None:
    if findings.results is None:
        return None
    return [in_units(found, findings.units) for found in findings.results.results]


def _residuals(findings: Findings) -> list[dict[str, Any]]:
    points = () if findings.results is None else findings.results.points
    return [
        {
            "load": findings.units.si_load(point.load),
            "direction": point.direction.value,
            "net_output": point.net_output.value,
            "deviation": point.deviation.value,
            "unit": OF_RATED_OUTPUT,
            "expanded_uncertainty": point.deviation.expanded,
            "spread": point.spread,
        }
        for point in points
    ]


def _polynomial(findings: Findings) -> dict[str, Any] | None:
    curve = findings.polynomial
    if curve is None:
        return None
    factors = [findings.units.load_factor**power for power in range(curve.degree + 1)]
    chosen = isinstance(findings.curve, DegreeChoice)
    return {
        "degree": curve.degree,
        "because": findings.curve.because if isinstance(findings.curve, DegreeChoice) else "asked",
        "chosen": chosen,
        "coefficients": [c / f for c, f in zip(curve.coefficients.tolist(), factors, strict=True)],
        "standard_deviations": [
            s / f for s, f in zip(curve.standard_deviations.tolist(), factors, strict=True)
        ],
        "residual_standard_deviation": curve.residual_deviation,
        "degrees_of_freedom": curve.degrees_of_freedom,
        "r_squared": curve.r_squared,
        "lack_of_fit": _lack_of_fit(curve),
        "residuals": _curve_residuals(curve, findings.units),
    }


def _lack_of_fit(curve: Polynomial) -> dict[str, Any] | None:
    lack = curve.lack_of_fit()
    if lack is None:
        return None
    return {
        "F": lack.f_ratio,
        "critical": lack.critical,
        "significant": lack.significant,
        "degrees_of_freedom": [lack.lack_degrees_of_freedom, lack.replicate_degrees_of_freedom],
    }


def _curve_residuals(curve: Polynomial, units: Units) -> list[dict[str, float]]:
    rows = zip(curve.data.loads, curve.data.outputs, curve.residuals, strict=True)
    return [
        {
            "load": units.si_load(float(load)),
            "output": float(output),
            "residual": float(residual),
        }
        for load, output, residual in rows
    ]


def _solved(found: Result, units: Units) -> dict[str, Any]:
    """Return a solved load in SI: value, uncertainty and budget alike."""
    told = found.to_json()
    for key in ("value", "expanded_uncertainty"):
        number = told[key]
        told[key] = units.si_load(number) if isinstance(number, float) else None
    lines = told.get("budget")
    for line in lines if isinstance(lines, list) else []:
        line["standard_uncertainty"] = units.si_load(line["standard_uncertainty"])
    return told | {"unit": units.load_si}


def _class(findings: Findings) -> dict[str, Any] | None:
    test, units = findings.test, findings.units
    if test is None:
        return None
    told = [to_json(each, findings.rule) for each in findings.judged]
    return {
        "statement": findings.statement,
        "edition": EDITION,
        "class": test.span.accuracy.symbol,
        "apportioning": test.span.apportioning,
        "verification_interval": units.si_load(test.span.interval),
        "factor": in_units(test.factor, units),
        "rule": findings.rule,
        "conformity": overall(findings.judged).value,
        "findings": [each | {"load": units.si_load(each["load"])} for each in told],
    }


def _factor(findings: Findings) -> dict[str, Any] | None:
    found, units = findings.factor, findings.units
    if found is None:
        return None
    return {
        "residual_standard_deviation": found.residual_deviation,
        "in_output": found.in_output,
        "load_per_output": units.si_load(found.load_per_output),
        "in_load": units.si_load(found.in_load),
        "at_resolution": found.at_resolution,
        "lower_limit": {
            "A": units.si_load(found.lower_limit_a),
            "AA": units.si_load(found.lower_limit_aa),
        },
        "status": found.notes[0],
    }


def _forces(findings: Findings) -> dict[str, Any] | None:
    forces = findings.forces
    if forces is None:
        return None
    return {
        "status": forces.status,
        "reached": forces.reached,
        "zero": None if forces.zero is None else forces.zero.to_json(),
        "indices": [
            {"force": findings.units.si_load(each.force), **each.named()} for each in forces.indices
        ],
    }
