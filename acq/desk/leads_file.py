"""A file of lead readings: rows `from,to,ohms`; a mistake names the line and what is allowed.

Comma, semicolon or tab separate, # begins a comment. `ohms` is a number, `open`, or a bound such
as `>2e10`. Rows `zero_mv_v`, `excitation_v` and `temperature_c` have their value under `ohms`. A
pair may stand several times: repeats; with its leads exchanged: the other polarity.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from acq.analysis.leads import LEAD_ORDER, Lead, LeadPair
from acq.analysis.observed import Insulation, Observed, PairReading, Paths, ZeroReading
from drivers.written_file import FileError

COLUMNS = ("from", "to", "ohms")
NAMED = ("zero_mv_v", "excitation_v", "temperature_c")
OVER_RANGE = 9.9e36  # instruments write 9.9E37 for an open circuit
SCREENS = (Lead.SHIELD, Lead.HOUSING)
NOISE_OHMS = 0.003  # of a reading whose digits promise more
CONTACT_OHMS = 1e5  # below that a lead touches shield or housing
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Row:
    """One reading between two wires as written; `step` is the unit of its last digit, ohm."""

    one: str
    other: str
    ohms: float
    above: bool
    step: float
    line: int


@dataclass(slots=True)
class LeadsFile:
    """What stands in the file; wires have the names that the person gave them."""

    file: str
    rows: list[Row] = field(default_factory=list)
    named: dict[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def wires(self) -> tuple[str, ...]:
        """All wires in the order in which they come."""
        return tuple(dict.fromkeys(name for row in self.rows for name in (row.one, row.other)))

    @property
    def marked(self) -> bool:
        """Whether the wires carry the names of leads."""
        return all(wire in list(Lead) for wire in self.wires)

    def renamed(self, leads: dict[str, Lead]) -> LeadsFile:
        """Return the file with leads in place of wires; wires without a lead fall out."""
        rows = [
            Row(leads[r.one], leads[r.other], r.ohms, r.above, r.step, r.line)
            for r in self.rows
            if r.one in leads and r.other in leads
        ]
        return LeadsFile(self.file, rows, self.named)


def read_leads(path: Path) -> LeadsFile:
    """Return the checked rows. Raises FileError with the line and what is allowed there."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise FileError(path, "", "no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise FileError(path, "", f"cannot be read as UTF-8 text: {error}") from None
    lines = [
        (n, x) for n, x in enumerate(text.splitlines(), 1) if x.strip() and x.strip()[0] != "#"
    ]
    if not lines:
        raise FileError(path, "", "is empty; the first line is from,to,ohms")
    separator = next((x for x in (";", "\t", ",") if x in lines[0][1]), ",")
    header = [name.strip().lower() for name in lines[0][1].split(separator)]
    if tuple(header) != COLUMNS:
        raise FileError(path, f"line {lines[0][0]}", "the columns are from,to,ohms")
    out = LeadsFile(str(path))
    for number, line in lines[1:]:
        fields = [x.strip() for x in next(csv.reader([line], delimiter=separator))]
        _take(out, fields, number, decimal_comma=separator != ",")
    if not out.rows:
        raise FileError(path, "", "has no reading")
    _check_wires(out)
    return out


def _take(out: LeadsFile, fields: list[str], number: int, *, decimal_comma: bool) -> None:
    where = f"line {number}"
    if len(fields) != len(COLUMNS):
        raise FileError(out.file, where, f"needs three fields from,to,ohms, got {len(fields)}")
    one, other, text = fields
    if decimal_comma:
        text = text.replace(",", ".")
    if not other:
        if one not in NAMED:
            raise FileError(out.file, where, f"no lead under `to`; or one of {', '.join(NAMED)}")
        if one in out.named:
            raise FileError(out.file, where, f"{one} stands twice")
        out.named[one] = _plain(out, text, where)
        return
    if one == other:
        raise FileError(out.file, where, f"a reading from {one} to itself")
    ohms, above, step = _ohms(out, text, where)
    out.rows.append(Row(one, other, ohms, above, step, number))


def _plain(out: LeadsFile, text: str, where: str) -> tuple[float, float]:
    if not _NUMBER.fullmatch(text):
        raise FileError(out.file, where, f"a number is needed, got {text!r}")
    return float(text), _step(text)


def _ohms(out: LeadsFile, text: str, where: str) -> tuple[float, bool, float]:
    """Return value, whether it is only a lower bound, and the unit of the last digit."""
    if text.lower() == "open":
        return np.inf, True, 0.0
    above = text.startswith(">")
    number = text.removeprefix(">").strip()
    if not _NUMBER.fullmatch(number) or float(number) < 0.0:
        raise FileError(out.file, where, f"ohms: allowed are 351.2, open, >2e10; got {text!r}")
    value = float(number)
    if value >= OVER_RANGE:
        return np.inf, True, 0.0
    return value, above, _step(number)


def _step(number: str) -> float:
    """Return the unit of the last digit that was written."""
    mantissa, _, exponent = number.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(10.0 ** (int(exponent or 0) - decimals))


def _check_wires(out: LeadsFile) -> None:
    strange = [wire for wire in out.wires if wire not in list(Lead)]
    if strange and len(strange) < len(out.wires):
        line = next(r.line for r in out.rows if r.one in strange or r.other in strange)
        raise FileError(
            out.file, f"line {line}", f"no lead {strange[0]!r}; leads are {', '.join(Lead)}"
        )


def observed(file: LeadsFile) -> Observed:
    """Return the readings of a file whose wires are leads. Raises FileError."""
    groups: dict[LeadPair, list[Row]] = {}
    for row in file.rows:
        groups.setdefault(LeadPair.of(row.one, row.other), []).append(row)
    bridge = {p: rows for p, rows in groups.items() if not any(s in p for s in SCREENS)}
    if not bridge:
        raise FileError(file.file, "", "has no reading between two leads of the bridge")
    screens = {p: rows for p, rows in groups.items() if p not in bridge}
    temperature = file.named.get("temperature_c")
    return Observed(
        pairs={pair: _pair(rows) for pair, rows in bridge.items()},
        zero=_zero(file),
        insulation=_paths(screens),
        contacts={p: _least(r).ohms for p, r in screens.items() if _least(r).ohms < CONTACT_OHMS},
        celsius=None if temperature is None else temperature[0],
    )


def _pair(rows: list[Row]) -> PairReading:
    if any(np.isinf(row.ohms) for row in rows) or any(row.above for row in rows):
        return PairReading(ohms=np.inf)
    values = np.array([row.ohms for row in rows])
    digit = max(row.step for row in rows) / np.sqrt(12.0)
    ways = [values[[row.one == end for row in rows]] for end in (rows[0].one, rows[0].other)]
    both = all(len(way) for way in ways)
    repeats = len(values) - 1 if both else len(values)
    centred = np.concatenate([way - way.mean() for way in ways if len(way)])
    return PairReading(
        ohms=float(np.mean([way.mean() for way in ways if len(way)])),
        uncertainty=float(np.hypot(digit, NOISE_OHMS)),
        deviation=float(np.sqrt((centred**2).sum() / (repeats - 1))) if repeats > 1 else None,
        repeats=repeats,
        polarity_ohms=float(ways[0].mean() - ways[1].mean()) if both else None,
    )


def _zero(file: LeadsFile) -> ZeroReading | None:
    known = file.named.get("zero_mv_v")
    if known is None:
        return None
    excitation = file.named.get("excitation_v")
    return ZeroReading(
        ratio=1e-3 * known[0],
        uncertainty=float(np.hypot(1e-3 * known[1] / np.sqrt(12.0), 5e-7)),
        excitation_volts=10.0 if excitation is None else excitation[0],
    )


def _least(rows: list[Row]) -> Row:
    return min(rows, key=lambda row: row.ohms)


def _paths(screens: dict[LeadPair, list[Row]]) -> Paths:
    """Return the three paths; one lead stands for all: the bridge joins them."""

    def path(pairs: Iterator[LeadPair]) -> Insulation | None:
        rows = [row for pair in pairs for row in screens[pair]]
        if not rows:
            return None
        least = _least(rows)
        return Insulation(least.ohms, least.above)

    between = LeadPair.of(*SCREENS)
    leads = sorted(screens, key=lambda p: (LEAD_ORDER[p.one], LEAD_ORDER[p.other]))
    return Paths(
        path(p for p in leads if Lead.HOUSING in p and p != between),
        path(p for p in leads if Lead.SHIELD in p and p != between),
        path(p for p in leads if p == between),
    )
