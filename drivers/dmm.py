"""A digital multimeter: voltages, resistances, currents, by any dialect of the role `dmm`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from drivers.dialect import Quantity
from drivers.instrument import Instrument
from drivers.reader import Reader
from drivers.scpi import parse_number
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

    kind: ClassVar[str] = "dmm"
    _setting: _Setting | None = None
    _range: float | None = None
    _set_at_ns: int = 0
    _started: _Started | None = None

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
        self._set(setting)
        words = self._words(quantity)
        self._run(words.reading.begin, self._given(setting))
        value = self._reader.read(
            quantity, words, self._given(setting), range_=self._range,
            within_s=self._reading_s(setting), since_ns=self._set_at_ns,
        )  # fmt: skip
        self._prove(words)
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
        words = self._words(quantity)
        if words.reading.start is None:
            raise self._talk.refused(f"{self._dialect.about} cannot start now and fetch later")
        setting = _Setting(quantity, range_, plc, offset_compensation)
        self._set(setting)
        at_ns = self._time.now_ns()
        self._talk.tell(self._fill(words.reading.start, self._given(setting)))
        self._started = _Started(setting, at_ns, self._talk.generation)

    def fetch(self) -> Value:
        """Return the reading that was started; waits for its end."""
        started, self._started = self._started, None
        if started is None or started.generation != self._talk.generation:
            raise self._talk.refused("no reading was started on this link")
        words = self._words(started.setting.quantity)
        value = self._reader.fetch(
            started.setting.quantity, words, self._given(started.setting), range_=self._range,
            within_s=self._reading_s(started.setting), started_ns=started.at_ns,
        )  # fmt: skip
        self._prove(words)
        if started.generation != self._talk.generation:
            raise self._talk.refused("the link was opened again between start and fetch")
        return value

    def _forget(self) -> None:
        self._setting = None
        self._started = None

    @property
    def _reader(self) -> Reader:
        return Reader(self._talk, self._dialect, self._time, self._fill)

    def _words(self, quantity: str) -> Quantity:
        words = self._dialect.quantities.get(quantity)
        if words is None:
            can = ", ".join(sorted(self._dialect.quantities))
            raise self._talk.refused(f"it does not measure {quantity}; it measures {can}")
        return words

    def _set(self, setting: _Setting) -> None:
        self._talk.make_sure()
        if setting == self._setting:
            return
        words = self._words(setting.quantity)
        if setting.offset_compensation and "offset_compensation" not in _names(words):
            raise self._talk.refused(f"it has no offset compensation for {setting.quantity}")
        given = self._given(setting)
        self._setting = None
        fields = self._run(words.settings, given)
        self._range = self._range_in_use(setting, fields)
        self._set_at_ns = self._time.now_ns()
        self._setting = setting

    def _given(self, setting: _Setting) -> dict[str, Given]:
        words = self._words(setting.quantity)
        given: dict[str, Given] = {"plc": setting.plc}
        if setting.range is None:
            given["automatic"] = True
        elif words.ranges:
            given["range"] = self._smallest_range(setting.range, words)
        else:
            given["range"] = setting.range
        if "offset_compensation" in _names(words):
            given["offset_compensation"] = setting.offset_compensation
        return given

    def _smallest_range(self, wanted: float, words: Quantity) -> float:
        try:
            return ValueFormat(steps=words.ranges).nearest_allowed("range", wanted)
        except CannotSayError as error:
            raise self._talk.refused(str(error)) from error

    def _range_in_use(self, setting: _Setting, fields: dict[str, str]) -> float | None:
        """Return the range that the meter states; it must hold what was asked for."""
        wanted = setting.range
        text = fields.get("range_in_use")
        if text is None:
            return None if wanted is None else float(self._given(setting)["range"])
        in_use = parse_number(text) / self._dialect.values.get("range", ValueFormat()).scale
        if wanted is not None and in_use < wanted * (1 - 1e-6):
            raise self._talk.refused(f"range {wanted:g} was asked for, it says {text}", text)
        return in_use

    def _reading_s(self, setting: _Setting) -> float:
        reading = self._words(setting.quantity).reading
        said = self._dialect.values.get("plc", ValueFormat()).reading_s_at_least(setting.plc)
        factor = reading.compensation_factor if setting.offset_compensation else 1.0
        cycles_s = setting.plc * reading.per_cycle_s if said is None else said
        return self._dialect.link.reply_s + reading.fixed_s + cycles_s * factor

    def _prove(self, words: Quantity) -> None:
        """Ask that the function is still the one that was set: power may have gone meanwhile."""
        if not words.reading.prove:
            return
        generation = self._talk.generation
        self._run(words.reading.prove, {})
        if generation != self._talk.generation:
            raise self._talk.refused("the link was opened again during the reading")


def _names(words: Quantity) -> frozenset[str]:
    return frozenset[str]().union(*(step.names() for step in words.settings))
