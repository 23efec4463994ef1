"""A live display: from mV and V to weight, with trim, tare and test weight kept apart. Pure.

Nothing is zeroed by itself. What a person changes (trim, tare, span, filter, unit) is taken or
refused with a reason, and can be done again from the same words and the same readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from acq.analysis.filters import Settled, filter_named
from acq.readings.settling import Settling, Stability, StableCriterion

SMALL_WEIGHT = 0.5  # of capacity; common practice: a span is set with half the range or more
LEAST_WEIGHT = 0.05  # of capacity: below it a plausibility says nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Papers:
    """What the cell's papers say. Outputs in V/V; `capacity` in `unit` (kg or N)."""

    capacity: float
    unit: str
    rated_output: float
    zero: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What may be done. Shares are of the capacity; sources are shown with a refusal."""

    divisions: int
    stable_window_s: float
    stable_divisions: float
    frozen_after_s: float
    zero_limit: float
    zero_source: str
    span_good: float
    span_limit: float
    span_source: str
    units: Mapping[str, float]  # how many of a unit one unit of the capacity is


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the display knew when an order came; `ratio` is filtered, in V/V."""

    ratio: float | None
    stable: bool
    because: str


@dataclass(slots=True)
class Settings:
    """What a person has set. Zeros in V/V, tare in the capacity's unit, span without a unit."""

    zero: float
    trim: float = 0.0
    tare: float = 0.0
    span: float = 1.0
    calibration_zero: float | None = None
    filter: str = "none"
    unit: str = "kg"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of an order: whether it was taken, what is said, old and new settings."""

    taken: bool
    said: str
    before: dict[str, Any] = field(default_factory=dict)
    after: dict[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """What the journal keeps."""
        return asdict(self)


class Scale:
    """Settings and the readings that are shown with them."""

    def __init__(self, papers: Papers, rules: Rules, filter_name: str) -> None:
        self.papers, self.rules = papers, rules
        self.settings = Settings(zero=papers.zero or 0.0, filter=filter_name, unit=papers.unit)
        self.division = nice(papers.capacity / rules.divisions)
        self._filter = self._new_filter(filter_name)
        self._settling = self._new_settling()
        self._stability: Stability | None = None
        self._settles_in_s = 0.0
        self._last_s: float | None = None
        self.interval_s = 0.0
        self.ratio: float | None = None
        self.least: float | None = None
        self.largest: float | None = None
        self.peak: float | None = None

    # --- readings

    def add(self, time_s: float, ratio: float, raw: str) -> None:
        """Take one reading of signal over excitation, V/V, with the signal's raw text."""
        if self._last_s is not None:
            self.interval_s = time_s - self._last_s
        self._last_s = time_s
        filtered = self._filter.add(time_s, ratio)
        self.ratio, self._settles_in_s = filtered.value, filtered.settles_in_s
        self._stability = self._settling.add(time_s, filtered.value, raw)
        load, raw_load = self.load(filtered.value), self.load(ratio)
        if filtered.settled:
            self.least = load if self.least is None else min(self.least, load)
            self.largest = load if self.largest is None else max(self.largest, load)
        if self.peak is None or abs(raw_load) > abs(self.peak):
            self.peak = raw_load

    def lost(self) -> None:
        """There is no reading: what comes next begins anew."""
        self._filter.restart()
        self._settling = self._new_settling()
        self._stability, self.ratio, self._last_s = None, None, None

    def reset(self) -> None:
        """Forget minimum, maximum and peak."""
        self.least = self.largest = self.peak = None

    def load(self, ratio: float) -> float:
        """Return the gross load at an output, in the capacity's unit."""
        papers, now = self.papers, self.settings
        part = (ratio - now.zero - now.trim) / (papers.rated_output * now.span)
        return part * papers.capacity

    def seen(self) -> Seen:
        """Return what an order is judged by."""
        if self.ratio is None or self._stability is None:
            return Seen(ratio=None, stable=False, because="there is no reading")
        if self._settles_in_s > 0.0:
            because = f"the filter settles for {self._settles_in_s:.2g} s more"
            return Seen(ratio=self.ratio, stable=False, because=because)
        stable = self._stability
        return Seen(ratio=self.ratio, stable=stable.stable, because=self._because(stable))

    def _because(self, stability: Stability) -> str:
        if stability.state in ("stable", "frozen"):
            return stability.because
        return f"{stability.state}: not stable in {self.rules.stable_window_s:g} s"

    def picture(self) -> dict[str, Any]:
        """Return what is shown now; loads in the unit that was chosen."""
        now, factor = self.settings, self.rules.units[self.settings.unit]
        gross = None if self.ratio is None else self.load(self.ratio)
        stability = self._stability

        def shown(load: float | None) -> float | None:
            return None if load is None else load * factor

        division = nice(self.division * factor)
        return {
            "unit": now.unit,
            "units": list(self.rules.units),
            "division": division,
            "gross": shown(gross),
            "net": shown(None if gross is None else gross - now.tare),
            "tare": now.tare * factor,
            "trim": now.trim / self.papers.rated_output / now.span * self.papers.capacity * factor,
            "span": now.span,
            "ratio": self.ratio,
            "percent": self.percent(),
            "least": shown(self.least),
            "largest": shown(self.largest),
            "peak": shown(self.peak),
            "filter": now.filter,
            "filter_settles_s": self.filter_settles_s(),
            "settles_in_s": self._settles_in_s,
            "state": "no reading" if stability is None else stability.state,
            "because": "" if stability is None else self._because(stability),
            "criterion": self.criterion_text(division),
        }

    def percent(self) -> float | None:
        """Return the output above the zero in use, in % of rated output."""
        if self.ratio is None:
            return None
        above = self.ratio - self.settings.zero - self.settings.trim
        return 100.0 * above / self.papers.rated_output

    def filter_settles_s(self) -> float:
        """Return the filter's settling time to 0.1 % at the present pace."""
        return filter_named(self.settings.filter).settling_s(self.interval_s or 0.05)

    def criterion_text(self, division: float) -> str:
        """Return what "stable" means, for people."""
        limit = self.rules.stable_divisions * division
        return f"stable: {limit:g} {self.settings.unit} in {self.rules.stable_window_s:g} s"

    # --- orders

    def obey(self, words: list[str], seen: Seen) -> Outcome:
        """Do what was ordered, or say why not; `seen` is from the moment of the order."""
        before = asdict(self.settings)
        taken, said = self._obeyed(words, seen)
        after = asdict(self.settings)
        changed = [key for key in after if after[key] != before[key]]
        return Outcome(
            taken, said, {key: before[key] for key in changed}, {key: after[key] for key in changed}
        )

    def _obeyed(self, words: list[str], seen: Seen) -> tuple[bool, str]:
        match words:
            case ["zero", "off"]:
                self.settings.trim = 0.0
                return True, "zero trim off"
            case ["zero", "because", *reason] if reason:
                return self._zero(seen)
            case ["zero", *_]:
                return False, "a zero trim needs a reason: zero because ..."
            case ["tare", "off"]:
                self.settings.tare = 0.0
                return True, "tare off"
            case ["tare"]:
                return self._tare(seen)
            case ["calibrate", "zero"]:
                return self._calibrate_zero(seen)
            case ["calibrate", number, unit]:
                return self._calibrate(number, unit, seen)
            case ["filter", *name]:
                return self._choose_filter(" ".join(name))
            case ["unit", unit]:
                return self._choose_unit(unit)
            case ["reset"]:
                self.reset()
                return True, "minimum, maximum and peak begin anew"
            case ["mark", *_]:
                return True, f"mark: {' '.join(words[1:]) or 'here'}"
        return False, f"{' '.join(words)!r}: orders are {', '.join(ORDERS)}"

    def _zero(self, seen: Seen) -> tuple[bool, str]:
        if not seen.stable or seen.ratio is None:
            return False, f"no zero trim: {seen.because}"
        trim = seen.ratio - self.settings.zero
        share = trim / self.papers.rated_output
        if abs(share) > self.rules.zero_limit:
            return False, (
                f"no zero trim: {share:+.1%} of capacity, {self.rules.zero_limit:.0%} allowed"
                f" ({self.rules.zero_source}); a load is taken off by tare"
            )
        self.settings.trim = trim
        self.reset()
        return True, f"zero trim {share:+.3%} of capacity"

    def _tare(self, seen: Seen) -> tuple[bool, str]:
        if not seen.stable or seen.ratio is None:
            return False, f"no tare: {seen.because}"
        self.settings.tare = self.load(seen.ratio)
        return True, f"tare {self.settings.tare:.6g} {self.papers.unit}"

    def _calibrate_zero(self, seen: Seen) -> tuple[bool, str]:
        if not seen.stable or seen.ratio is None:
            return False, f"no calibration: {seen.because}"
        self.settings.calibration_zero = seen.ratio
        return True, "unloaded point kept; put the test weight on, then: calibrate 100 kg"

    def _calibrate(self, number: str, unit: str, seen: Seen) -> tuple[bool, str]:
        weight = self._weight(number, unit)
        zero = self.settings.calibration_zero
        if isinstance(weight, str):
            return False, weight
        if zero is None:
            return False, "no calibration: first the unloaded point: calibrate zero"
        if not seen.stable or seen.ratio is None:
            return False, f"no calibration: {seen.because}"
        part = weight / self.papers.capacity
        if not LEAST_WEIGHT <= part <= 1.0:
            return (
                False,
                f"no calibration: the weight is {part:.0%} of capacity, 5 % to 100 % serve",
            )
        span = (seen.ratio - zero) / (part * self.papers.rated_output)
        if abs(span - 1.0) > self.rules.span_limit:
            return False, f"not taken: {implausible(span)} ({self.rules.span_source})"
        self.settings.zero, self.settings.trim = zero, 0.0
        self.settings.span = span
        self.reset()
        said = f"span is {span:.2%} of that of the papers"
        if abs(span - 1.0) > self.rules.span_good:
            said += "; so large a trim may hide another problem"
        if part < SMALL_WEIGHT:
            said += f"; the weight is {part:.0%} of capacity: half or more is better"
        return True, said

    def _weight(self, number: str, unit: str) -> float | str:
        factor = self.rules.units.get(unit)
        try:
            value = float(number.replace(",", "."))
        except ValueError:
            value = math.nan
        if factor is None or not math.isfinite(value) or value <= 0.0:
            known = ", ".join(self.rules.units)
            return f"no calibration: a weight such as 100 kg is needed, in {known}"
        return value / factor

    def _choose_filter(self, name: str) -> tuple[bool, str]:
        try:
            chosen = filter_named(name)
        except ValueError as error:
            return False, str(error)
        self.settings.filter = chosen.name
        self._filter = self._new_filter(chosen.name)
        return True, f"filter {chosen.name}"

    def _choose_unit(self, unit: str) -> tuple[bool, str]:
        if unit not in self.rules.units:
            gravity = "" if "N" in self.rules.units else "; N and kN need the gravity of the place"
            return False, f"units are {', '.join(self.rules.units)}{gravity}"
        self.settings.unit = unit
        return True, f"unit {unit}"

    def _new_filter(self, name: str) -> Settled:
        return Settled(filter_named(name), step=20.0 * self._division_ratio())

    def _new_settling(self) -> Settling:
        limit = self.rules.stable_divisions * self._division_ratio()
        return Settling(
            StableCriterion(
                window_s=self.rules.stable_window_s,
                drift=limit,
                spread=limit,
                frozen_after_s=self.rules.frozen_after_s,
            )
        )

    def _division_ratio(self) -> float:
        return abs(self.papers.rated_output) * self.division / self.papers.capacity


ORDERS = (
    "zero because ...", "zero off", "tare", "tare off", "calibrate zero", "calibrate 100 kg",
    "filter mean 8", "unit kg", "mark ...", "reset", "quit",
)  # fmt: skip


def implausible(span: float) -> str:
    """Return what a span that cannot be right may mean (common practice, no source)."""
    said = f"span is {span:.0%} of expected: "
    if span < -0.02:
        return said + "signal or excitation pair exchanged, or load in the other direction"
    return said + "wrong cell, wrong weight or open signal pair"


def nice(value: float) -> float:
    """Return the next 1, 2 or 5 times a power of ten: a division of a display."""
    power = 10.0 ** math.floor(math.log10(value) + 1e-9)
    for step in (1.0, 2.0, 5.0, 10.0):
        if value <= step * power * (1.0 + 1e-9):
            return float(f"{step * power:.0e}")
    return 10.0 * power


def in_divisions(value: float, division: float) -> str:
    """Return a value rounded to whole divisions, with their decimals."""
    places = max(0, -math.floor(math.log10(division) + 1e-9))
    rounded = round(value / division) * division
    return f"{rounded + 0.0:.{places}f}"
