"""The bench file that a served bench prints: where each instrument is and how good it is."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from simulated_bench.bench import Crosspoint
from simulated_bench.instruments.accuracy import Limit, limits_to_toml, toml_value

MAXIMUM_VOLTS = 150.0


@dataclass(frozen=True, slots=True)
class RelayFigures:
    """What the scanner's manual promises of each relay."""

    contact_ohms: float
    emf_volts: float
    isolation_ohms: float


@dataclass(frozen=True, slots=True)
class Entry:
    """One instrument of the bench file; without a resource a person reads it."""

    role: str
    dialect: str
    resource: str
    identity: str
    serial: str
    accuracy: Sequence[Limit]
    maximum_amperes: float | None = None  # that a supply can give


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the workshop's files say about the instruments' calibration (invented)."""

    calibrated: date
    due: date
    laboratory: str = "Example Calibration Laboratory (invented)"


def bench_file(
    control: str,
    scenario: str,
    timezone: str,
    entries: Sequence[Entry],
    calibration: Mapping[str, Calibration],
    crosspoints: Sequence[Crosspoint],
    figures: RelayFigures,
) -> str:
    """Return the text of a bench file."""
    parts = [
        _pairs({"name": "Simulated bench", "timezone": timezone}),
        "[simulation]\n" + _pairs({"control": control, "scenario": scenario}),
    ]
    parts += [_instrument(entry, calibration[entry.role]) for entry in entries]
    if crosspoints:
        parts.append(_connections(crosspoints, figures))
    return "\n".join(parts)


def exactly(text: str) -> str:
    """Return a pattern that matches this identification alone."""
    return re.escape(text)


def _instrument(entry: Entry, calibration: Calibration) -> str:
    where = (
        {"resource": entry.resource, "dialect": entry.dialect, "identity": entry.identity}
        if entry.resource
        else {"by_hand": True}
    )
    pairs: dict[str, object] = {
        **where,
        "description": f"simulated {entry.role} (invented)",
        "serial": entry.serial,
        "calibrated": calibration.calibrated,
        "due": calibration.due,
        "certificate": f"SIM-{entry.serial}-{calibration.calibrated:%Y%m%d}",
        "laboratory": calibration.laboratory,
    }
    if entry.maximum_amperes is not None:
        pairs["maximum_amperes"] = entry.maximum_amperes
    text = f"[instruments.{entry.role}]\n" + _pairs(pairs)
    return text + "\n" + limits_to_toml(entry.accuracy, entry.role) if entry.accuracy else text


def _connections(crosspoints: Sequence[Crosspoint], figures: RelayFigures) -> str:
    defaults = {
        "contact_ohms": figures.contact_ohms,
        "emf_volts": figures.emf_volts,
        "isolation_ohms": figures.isolation_ohms,
        "maximum_volts": MAXIMUM_VOLTS,
    }
    text = ["[connections.defaults]\n" + _pairs(defaults)]
    for point in crosspoints:
        pairs: dict[str, object] = {
            "channel": point.channel,
            "terminal": point.terminal,
            "lead": point.lead,
        }
        if point.position > 1:
            pairs["position"] = point.position
        text.append("[[connections.relay]]\n" + _pairs(pairs))
    return "\n".join(text)


def _pairs(pairs: Mapping[str, object]) -> str:
    return "".join(f"{key} = {toml_value(value)}\n" for key, value in pairs.items() if value != "")
