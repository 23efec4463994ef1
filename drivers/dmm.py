"""A digital multimeter: voltages, resistances, currents, by any dialect of the role `dmm`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from drivers.dialect_parts import Quantity
from drivers.instrument import Instrument
from drivers.scpi import parse_number
from drivers.steps import Words
from drivers.template import CannotSayError, Given, ValueFormat
from drivers.values import Value


@dataclass(frozen=True, slots=True)
class _Setting:
    quantity: str
    range: float | None
    plc: float
    offset_compensation: bool


@dataclass(frozen=True, slots=True)
class _Started:
    setting: _Setting
    at_ns: int
    generation: int


class Dmm(Instrument):
    """Measures one quantity at a time; settings are sent when they change, and read back."""

    kinds: ClassVar[frozenset[str]] = frozenset({"dmm"})
    _setting: _Setting | None = None
    _range: float | None = None
    _set_at_ns: int = 0
    _started: _Started | None = None

    def configure(
        self,
        quantity: str,
        *,
        range_: float | None = None,
        plc: float = 1.0,
        offset_compensation: bool = False,
    ) -> None:
        """Set function, range and integration without measuring.

        Before the meter is joined to an excited bridge: in an ohms function it would drive its
        test current into it. Raises RefusedError for what this meter cannot do.
        """
        self._set(_Setting(quantity, range_, plc, offset_compensation))

    def measure(
        self,
        quantity: str,
        *,
        range_: float | None = None,
        plc: float = 1.0,
        offset_compensation: bool = False,
    ) -> Value:
        """Return one reading of `quantity` in its SI unit.

        `range_` is the largest magnitude to be measured, None for automatic; `plc` the integration
        time in power line cycles. Raises RefusedError for what this meter cannot do.
        """
        setting = _Setting(quantity, range_, plc, offset_compensation)
        parts, words = self._set(setting)
        with self._talk.unbroken():
            self._steps.run(parts.reading.begin, words)
            value = self._reader.read(
                quantity, parts, words, range_=self._range,
                within_s=self._reading_s(setting), since_ns=self._set_at_ns,
            )  # fmt: skip
            # the function is still the one that was set: power may have gone meanwhile
            self._steps.prove(parts.reading.prove, words)
        return value

    def start(
        self,
        quantity: str,
        *,
        range_: float | None = None,
        plc: float = 1.0,
        offset_compensation: bool = False,
    ) -> None:
        """Start a reading that `fetch` takes: for readings of two meters that belong together."""
        start = self._quantity(quantity).reading.start
        if start is None:
            raise self._talk.cannot(f"{self._dialect.about} cannot start now and fetch later")
        setting = _Setting(quantity, range_, plc, offset_compensation)
        if self._talk.is_serial:
            self._setting = None  # a new setting makes an old reading stale: it cannot be fetched
        _, words = self._set(setting)
        at_ns = self._time.now_ns()
        self._talk.tell(command := self._steps.fill(start, words))
        if self._talk.is_serial:
            self._talk.check_errors([command])
        self._started = _Started(setting, at_ns, self._talk.generation)

    def fetch(self) -> Value:
        """Return the reading that was started; waits for its end."""
        started, self._started = self._started, None
        if started is None or started.generation != self._talk.generation:
            raise self._talk.cannot("no reading was started on this link")
        setting = started.setting
        parts, words = self._quantity(setting.quantity), self._words(setting)
        with self._talk.unbroken():
            value = self._reader.fetch(
                setting.quantity, parts, words, range_=self._range,
                within_s=self._reading_s(setting), started_ns=started.at_ns,
            )  # fmt: skip
            self._steps.prove(parts.reading.prove, words)
        return value

    def block_words(self, count: int, *, automatic_zero: bool) -> Words:
        """Return what the templates of a block of `count` readings are filled with."""
        assert self._setting is not None
        words = self._words(self._setting)
        given = {**words.given, "count": float(count), "automatic_zero": automatic_zero}
        return Words(given, words.formats)

    def _forget(self) -> None:
        self._setting = None
        self._started = None

    def _quantity(self, name: str) -> Quantity:
        words = self._dialect.quantities.get(name)
        if words is None:
            can = ", ".join(sorted(self._dialect.quantities))
            raise self._talk.cannot(f"it does not measure {name}; it measures {can}")
        return words

    def _set(self, setting: _Setting) -> tuple[Quantity, Words]:
        """Set the meter up unless it is; return what its dialect says for this quantity."""
        quantity, words = self._quantity(setting.quantity), self._words(setting)
        if setting.offset_compensation and "offset_compensation" not in quantity.names:
            raise self._talk.cannot(f"it has no offset compensation for {setting.quantity}")
        self._talk.make_sure()
        if setting != self._setting:
            self._setting = None
            fields = self._steps.run(quantity.settings, words)
            self._range = self._range_in_use(setting, quantity, fields)
            self._set_at_ns = self._time.now_ns()
            self._setting = setting
        return quantity, words

    def _words(self, setting: _Setting) -> Words:
        quantity = self._quantity(setting.quantity)
        given: dict[str, Given] = {"plc": setting.plc}
        if setting.range is None:
            given["automatic"] = True
        else:
            given["range"] = self._range_to_set(setting.range, quantity)
        if "offset_compensation" in quantity.names:
            given["offset_compensation"] = setting.offset_compensation
        if quantity.resolution and setting.range is not None:
            given["resolution"] = self._resolution(setting, quantity)
        return self._steps.words(given, quantity.values)

    def _range_to_set(self, wanted: float, quantity: Quantity) -> float:
        form = ValueFormat(steps=quantity.ranges) if quantity.ranges else ValueFormat()
        form = quantity.values.get("range", form)
        try:
            return form.nearest_allowed("range", wanted)
        except CannotSayError as error:
            raise self._talk.cannot(str(error)) from error

    def _resolution(self, setting: _Setting, quantity: Quantity) -> float:
        """Return the resolution that makes the meter integrate at least as long as asked for."""
        assert setting.range is not None
        steps = sorted(quantity.resolution, key=lambda step: step.plc)
        enough = [step for step in steps if step.plc >= setting.plc * (1 - 1e-9)]
        if not enough:
            raise self._talk.cannot(
                f"plc {setting.plc:g} is above the highest allowed, {steps[-1].plc:g}"
            )
        return self._range_to_set(setting.range, quantity) * enough[0].ppm_of_range * 1e-6

    def _range_in_use(
        self, setting: _Setting, quantity: Quantity, fields: Mapping[str, str]
    ) -> float | None:
        """Return the range that the meter states; it must hold what was asked for."""
        text = fields.get("range_in_use")
        if text is None:
            told = setting.range is not None and "range" in quantity.names
            return float(self._words(setting).given["range"]) if told else None
        scale = quantity.values.get("range", ValueFormat()).scale
        in_use = parse_number(text) / scale
        if setting.range is not None and in_use < setting.range * (1 - 1e-6):
            raise self._talk.refused(f"range {setting.range:g} was asked for, it says {text}", text)
        return in_use

    def _reading_s(self, setting: _Setting) -> float:
        quantity = self._quantity(setting.quantity)
        reading = quantity.reading
        form = quantity.values.get("plc", self._dialect.values.get("plc", ValueFormat()))
        cycles_s = form.reading_s_at_least(setting.plc)
        if cycles_s is None:
            cycles_s = setting.plc * reading.per_cycle_s
        factor = reading.compensation_factor if setting.offset_compensation else 1.0
        return self._dialect.link.reply_s + reading.fixed_s + cycles_s * factor
