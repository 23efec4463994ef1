"""What only reads: thermometer, hygrometer, barometer, reference indicator."""

from __future__ import annotations

from typing import ClassVar

from drivers.dialect import SENSORS
from drivers.instrument import Instrument
from drivers.values import Value


class Thermometer(Instrument):
    """Reads `temperature` in degC, or whatever else its dialect names (`relative-humidity` in
    percent, `pressure` in Pa, `voltage-ratio` in V/V)."""

    kinds: ClassVar[frozenset[str]] = frozenset(SENSORS)

    def read(self, quantity: str = "temperature") -> Value:
        """Return one reading; raises RefusedError for a quantity that it does not have."""
        parts = self._dialect.quantities.get(quantity)
        if parts is None:
            can = ", ".join(sorted(self._dialect.quantities))
            raise self._talk.cannot(f"it does not measure {quantity}; it measures {can}")
        words = self._steps.words({}, parts.values)
        self._talk.make_sure()
        within_s = self._dialect.link.reply_s + parts.reading.fixed_s
        with self._talk.unbroken():
            self._steps.run((*parts.settings, *parts.reading.begin), words)
            since_ns = self._time.now_ns() if parts.settings else 0
            value = self._reader.read(quantity, parts, words, within_s=within_s, since_ns=since_ns)
            self._steps.prove(parts.reading.prove, words)
        return value
