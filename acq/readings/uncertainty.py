"""Readings with their uncertainty: influence quantities that readings share, so that they cancel.

x = y + y G + O + L + N for an indication y, with every influence of expectation zero:

* G, gain: one per instrument, quantity and range. Cancels in ratios of readings in one range.
  Where the manual has one figure for every range, each range still errs by itself.
* O, offset: likewise, and independent of polarity. Cancels by reversal and zero subtraction.
* L, linearity: neighbours on the scale share it, distant readings do not (see `_linearity`).
* N, scatter: type A of a mean, else the stated noise of a single reading; and the last digit.

Names of influences are made of instrument, quantity and range. GTC's own ids are random and
never leave this room: budgets are grouped and ordered by name.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import GTC

from acq.errors import WrongInput
from acq.readings.budget import budget, expanded
from acq.readings.correction import Correction, find_correction
from acq.readings.measured import Bound, Measured, Uncertain
from acq.readings.reading import Reading
from acq.readings.specification import Accuracy, find_accuracy
from acq.readings.units import format_value

__all__ = ["Uncertainties", "budget", "expanded"]

LINEARITY_NODES = 20  # per range: readings closer than 5 % of range share part of their linearity
_RECTANGULAR = math.sqrt(3.0)

RELAY_LEAK = "leakage of open relays"  # in a budget


class Uncertainties:
    """The influence quantities of one run. Ask every reading of a run from the same object.

    `instruments` gives each role's accuracies; `bench_temperature` (degC, +- its half width)
    is None when nobody measured it. `corrections` from each role's calibration certificate are
    added to what it indicates.
    """

    def __init__(
        self,
        instruments: Mapping[str, Sequence[Accuracy]],
        bench_temperature: float | None = None,
        bench_temperature_half_width: float = 0.0,
        corrections: Mapping[str, Sequence[Correction]] | None = None,
    ) -> None:
        self._corrections = dict(corrections or {})
        self._instruments = {role: tuple(entries) for role, entries in instruments.items()}
        self._temperature = bench_temperature
        self._half_width = bench_temperature_half_width
        self._influences: dict[Hashable, Uncertain] = {}

    def bench_is_at(self, celsius: float, half_width: float) -> None:
        """State the bench's temperature, as it was read; for readings that come after it."""
        self._temperature, self._half_width = celsius, half_width

    def of(self, reading: Reading) -> Measured:
        """Return one reading with the uncertainty of its instrument, or the bound that it is.

        Raises WrongInput when the bench file states no accuracy for it.
        """
        accuracy = self._accuracy(reading)
        if not reading.is_number:
            return self._bound(reading, accuracy)
        key = ("noise", reading.instrument, reading.quantity, reading.started_ns, reading.raw)
        noise = self._influence(
            key, self._name("noise", reading, accuracy), _noise(accuracy, reading)
        )
        systematic = self._systematic(reading, accuracy, _number(reading))
        result: Uncertain = systematic + noise + self._digit([reading], accuracy, key)
        return result

    def mean(
        self, readings: Sequence[Reading], pooled: tuple[float, float] | None = None
    ) -> Measured:
        """Return the mean of readings of one quantity, instrument and range (GUM 4.2).

        Scatter is type A with n - 1 degrees of freedom, or `pooled` = (standard deviation, dof)
        of one reading. Where only bounds are known the result is the weakest of them.
        Raises ValueError for none or unlike readings.
        """
        first = _alike(readings)
        accuracy = self._accuracy(first)
        if not all(each.is_number for each in readings):
            return self._weakest(readings, accuracy)
        values = [_number(each) for each in readings]
        if len(values) == 1 and pooled is None:
            return self.of(first)
        scatter = self._scatter(self._name("scatter", first, accuracy), values, pooled)
        key = ("mean", first.instrument, first.quantity, first.started_ns, len(values))
        systematic = self._systematic(first, accuracy, statistics.fmean(values))
        result: Uncertain = systematic + scatter + self._digit(readings, accuracy, key)
        return result

    def stated_noise(self, reading: Reading) -> float:
        """Return the standard deviation of one such reading by the manual; 0 where it has none.

        Raises WrongInput when the bench file states no accuracy for it.
        """
        return _noise(self._accuracy(reading), reading)

    def mean_ratio(
        self,
        numerators: Sequence[Reading],
        denominators: Sequence[Reading],
        pooled: tuple[float, float] | None = None,
    ) -> Uncertain:
        """Return the mean of numerator/denominator pairs that belong together in time.

        What the pairs have in common (drift of the excitation) is not counted as scatter.
        Raises ValueError when the pairs do not match or one is not a number.
        """
        first, below = _alike(numerators), _alike(denominators)
        if len(numerators) != len(denominators):
            raise ValueError(f"{len(numerators)} numerators for {len(denominators)} denominators")
        above = [_number(each) for each in numerators]
        under = [_number(each) for each in denominators]
        ratios = [a / b for a, b in zip(above, under, strict=True)]
        top = self._settled(first, above)
        systematic = top / self._settled(below, under)
        name = f"scatter of {first.instrument} {first.quantity} over {below.quantity}"
        if len(ratios) == 1 and pooled is None:
            return self.of(first) / self.of(below)  # type: ignore[operator, no-any-return]
        shift = statistics.fmean(ratios) - statistics.fmean(above) / statistics.fmean(under)
        return systematic + shift + self._scatter(name, ratios, pooled)  # type: ignore[no-any-return]

    def shared(self, name: str, standard_uncertainty: float, dof: float = math.inf) -> Uncertain:
        """Return the influence of expectation zero with this name, the same one at every call.

        For what several results have in common: a set of weights, a thermometer, a relay's EMF.
        Raises ValueError when the name is asked again with another size.
        """
        known = self._influence(("shared", name), name, standard_uncertainty, dof)
        if not math.isclose(known.u, standard_uncertainty, rel_tol=1e-12, abs_tol=0.0):
            raise ValueError(f"{name}: has {known.u} already, asked with {standard_uncertainty}")
        return known

    def fresh(self, name: str, standard_uncertainty: float, dof: float = math.inf) -> Uncertain:
        """Return a new influence of expectation zero; equal names are one line of a budget."""
        return _influence(name, standard_uncertainty, dof)

    # what an instrument brings along

    def _systematic(self, reading: Reading, accuracy: Accuracy, value: float) -> Any:
        where = _meter(reading, accuracy)
        gain = self._influence(
            ("gain", *where),
            self._name("gain", reading, accuracy),
            accuracy.gain_limit / accuracy.coverage_factor,
        )
        offset = self._influence(
            ("offset", *where),
            self._name("offset", reading, accuracy) + _assumption(accuracy),
            accuracy.offset_limit / accuracy.coverage_factor,
        )
        drift = self._temperature_part(reading, accuracy, value)
        indicated = value + value * gain + offset + self._linearity(reading, accuracy, value)
        return indicated + drift + self._corrected(reading, value) + self._way(reading, value)

    def correction(self, reading: Reading) -> float:
        """Return what the calibration certificate adds to a reading; 0 for a bound."""
        entry = self._correction_of(reading) if reading.is_number else None
        return 0.0 if entry is None else entry.at(_number(reading))[0]

    def anew(self) -> Uncertainties:
        """Return the same instruments with influences of their own: for a run from its start."""
        return Uncertainties(
            self._instruments, self._temperature, self._half_width, self._corrections
        )

    def _correction_of(self, reading: Reading) -> Correction | None:
        entries = self._corrections.get(reading.instrument, ())
        range_ = reading.range_
        if entries and range_ is None:
            range_ = self._accuracy(reading).range
        entry = find_correction(entries, reading.quantity, range_)
        if entry is None or (reading.is_number and not entry.reaches(_number(reading))):
            return None
        return entry

    def _corrected(self, reading: Reading, value: float) -> Any:
        """Return the correction; its uncertainty is the calibration's, common to the table."""
        entry = self._correction_of(reading)
        if entry is None:
            return 0.0
        correction, u = entry.at(value)
        where = ("correction", reading.instrument, reading.quantity, entry.range)
        name = f"{reading.instrument} calibration, {reading.quantity}"
        if entry.range is not None:
            name = f"{name} {format_value(entry.range, entry.unit)} range"
        return correction + u * self._influence(where, name, 1.0)

    def _way(self, reading: Reading, value: float) -> Any:
        """Return what relays between instrument and leads add: limits, taken as rectangular.

        The EMF belongs to the relays: it is shared by all readings through them and cancels by
        reversal or zero subtraction. Leakage past an insulation test lowers what is read; both
        ways are counted.
        """
        channels = str(reading.settings.get("relays") or "")
        total: Any = 0.0
        for key, name in (("relay_emf_volts", "EMF"), ("relay_contact_ohms", "contacts")):
            if limit := float(reading.settings.get(key) or 0.0):
                where = ("relay", key, channels)
                told = f"{name} of relays {channels}"
                total = total + self._influence(where, told, limit / _RECTANGULAR)
        if leak := float(reading.settings.get("relay_leak_siemens") or 0.0):
            share = min(1.0, abs(value) * leak)
            leaking = self._influence(("relay leak", leak), RELAY_LEAK, 1.0 / _RECTANGULAR)
            total = total + value * share * leaking
        return total

    def _temperature_part(self, reading: Reading, accuracy: Accuracy, value: float) -> Any:
        kelvins = self._kelvins(accuracy)
        if not kelvins:
            return 0.0
        where = _meter(reading, accuracy)
        name = f"{self._name('temperature', reading, accuracy)}, {kelvins:.3g} K outside"
        of_reading = accuracy.temperature_reading_ppm_per_K * 1e-6 * kelvins / _RECTANGULAR
        of_range = accuracy.temperature_range_ppm_per_K * 1e-6 * kelvins * (accuracy.range or 0.0)
        gain = self._influence(("warm gain", *where), name, of_reading)
        offset = self._influence(("warm offset", *where), name, of_range / _RECTANGULAR)
        return value * gain + offset

    def _kelvins(self, accuracy: Accuracy) -> float:
        """Return how far the bench may be outside the specified temperatures."""
        if self._temperature is None:
            return 0.0
        ends = (self._temperature - self._half_width, self._temperature + self._half_width)
        return max(accuracy.kelvins_outside(end) for end in ends)

    def _linearity(self, reading: Reading, accuracy: Accuracy, value: float) -> Any:
        """Return the deviation from the straight line at this place of the scale.

        Interpolated between nodes that are independent, at constant variance: two readings at
        one place share it, so it cancels in their difference; readings a node or more apart
        share nothing. Without a range there is no scale: then each value has its own.
        """
        u = accuracy.linearity_limit / accuracy.coverage_factor
        if not u:
            return 0.0
        name = self._name("linearity", reading, accuracy)
        where = ("linearity", *_meter(reading, accuracy))
        scale = accuracy.range or reading.range_
        if not scale:
            return self._influence((*where, value), name, u)
        place = value / scale * LINEARITY_NODES
        low = math.floor(place)
        part = place - low
        norm = math.hypot(1.0 - part, part)
        nodes = [self._influence((*where, low + i), name, u) for i in (0, 1)]
        return nodes[0] * ((1.0 - part) / norm) + nodes[1] * (part / norm)

    def _digit(self, readings: Sequence[Reading], accuracy: Accuracy, key: Hashable) -> Any:
        """Return the rounding to the last digit (GUM F.2.2.1); averaging does not lessen it.

        A person who typed fewer digits than the display has has rounded more coarsely.
        """
        typed = [float(each.settings.get("last_digit") or 0.0) for each in readings]
        digit = max(accuracy.resolution or 0.0, *typed)
        if not digit:
            return 0.0
        name = self._name("last digit", readings[0], accuracy)
        return self._influence(("digit", key), name, digit / math.sqrt(12.0))

    def _scatter(
        self, name: str, values: Sequence[float], pooled: tuple[float, float] | None
    ) -> Uncertain:
        if pooled is not None:
            deviation, dof = pooled
        else:
            deviation, dof = statistics.stdev(values), len(values) - 1.0
        return _influence(name, deviation / math.sqrt(len(values)), dof)

    def _settled(self, first: Reading, values: Sequence[float]) -> Any:
        return self._systematic(first, self._accuracy(first), statistics.fmean(values))

    # bounds

    def _bound(self, reading: Reading, accuracy: Accuracy) -> Bound:
        kind = reading.limit or "above"
        value = reading.value
        if value is None:
            full_scale = reading.range_ or self._largest_range(reading)
            value = full_scale if kind == "above" else -full_scale
        parts = self._systematic(reading, accuracy, value)
        name = self._name("gain", reading, accuracy)
        return Bound(value, kind, parts.u, name)

    def _weakest(self, readings: Sequence[Reading], accuracy: Accuracy) -> Bound:
        """Return what all of the readings together still prove."""
        bounds = [self._bound(each, accuracy) for each in readings if not each.is_number]
        kinds = {bound.kind for bound in bounds}
        if len(kinds) != 1:
            raise ValueError("readings over-range in both directions have no mean")
        kind = kinds.pop()
        numbers = [_number(each) for each in readings if each.is_number]
        ends = [bound.value for bound in bounds] + numbers
        value = min(ends) if kind == "above" else max(ends)
        systematic = self._systematic(readings[0], accuracy, value)
        return Bound(value, kind, systematic.u, bounds[0].dominating)

    def _largest_range(self, reading: Reading) -> float:
        entries = self._instruments.get(reading.instrument, ())
        ranges = [e.range for e in entries if e.quantity == reading.quantity and e.range]
        if not ranges:
            raise WrongInput(
                f"{reading.instrument}: over-range in {reading.quantity} without a known range; "
                f"give the accuracy entry of the bench file the key range"
            )
        return max(ranges)

    # names and identity

    def _accuracy(self, reading: Reading) -> Accuracy:
        entries = self._instruments.get(reading.instrument, ())
        if reading.range_ is None and reading.value is None:
            ranges = [e for e in entries if e.quantity == reading.quantity]
            found = max(ranges, key=lambda e: e.range or math.inf, default=None)
        else:
            found = find_accuracy(entries, reading.quantity, reading.range_, reading.value)
        if found is None:
            where = "" if reading.range_ is None else f" in range {reading.range_:g}"
            raise WrongInput(
                f"the bench file states no accuracy of {reading.instrument} for "
                f"{reading.quantity}{where}: add [[instruments.{reading.instrument}.accuracy]]"
            )
        return found

    def _name(self, what: str, reading: Reading, accuracy: Accuracy) -> str:
        if accuracy.range is None:
            return f"{reading.instrument} {what}, {reading.quantity}"
        size = format_value(accuracy.range, accuracy.unit)
        return f"{reading.instrument} {what}, {reading.quantity} {size} range"

    def _influence(self, key: Hashable, name: str, u: float, dof: float = math.inf) -> Uncertain:
        if key not in self._influences:
            self._influences[key] = _influence(name, u, dof)
        return self._influences[key]


def _meter(reading: Reading, accuracy: Accuracy) -> tuple[Hashable, ...]:
    """Return what errs as one: this quantity of an instrument in the range that was used."""
    range_ = reading.range_ if accuracy.range is None else accuracy.range
    return reading.instrument, reading.quantity, range_


def _influence(name: str, u: float, dof: float = math.inf) -> Uncertain:
    number: Uncertain = GTC.ureal(0.0, u, dof, label=name)
    return number


def _noise(accuracy: Accuracy, reading: Reading) -> float:
    """Return the standard deviation of one reading; white noise falls with integration time.

    With offset compensation it is the difference of two conversions, source on and off: both are
    noisy, and a manual states the noise of one.
    """
    conversions = 2.0 if reading.settings.get("offset_compensation") is True else 1.0
    plc = reading.plc
    if plc is None or plc <= 0.0:
        return accuracy.noise * math.sqrt(conversions)
    return accuracy.noise * math.sqrt(conversions * accuracy.noise_plc / plc)


def _assumption(accuracy: Accuracy) -> str:
    if accuracy.offset_share is None and accuracy.floor_limit:
        return " (range part taken as offset, no split given)"
    return ""


def _number(reading: Reading) -> float:
    if reading.value is None or reading.limit is not None:
        raise ValueError(f"{reading.instrument}: {reading.raw!r} is a bound, not a number")
    return reading.value


def _alike(readings: Sequence[Reading]) -> Reading:
    if not readings:
        raise ValueError("no readings")
    kinds = {(each.instrument, each.quantity, each.range_) for each in readings}
    if len(kinds) != 1:
        raise ValueError(f"readings of different kinds have no mean: {sorted(map(str, kinds))}")
    return readings[0]
