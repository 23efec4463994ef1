"""Instruments without a link, with the same words as their drivers: a person is the wire.

What is typed is understood, doubted and kept by `drivers.by_hand`. What can hurt is switched by
prompts and proven by reading the display: no reading, no proof.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from acq.bench.hands import Hands, HandTask, Knob
from acq.errors import BenchFailure
from acq.readings.specification import UNITS
from acq.readings.units import format_value
from drivers.by_hand import ByHand, HandPrompt, NotUnderstoodError, Typed
from drivers.time import Time
from drivers.values import Value

Setting = float | int | str | bool | None

OFF_VOLTS = 0.05  # below this nothing on a bridge is hurt or falsified: 0.15 mA through 350 ohm
DISCHARGED_VOLTS = 5.0  # common practice, no source: far below what a hand notices
_OFF_WORDS = ("off",)  # where a display has a word instead of volts
_PROOFS = 10
_BETWEEN_PROOFS_S = 2.0
_OVER = " (over range: open)"
_SLOW_CYCLES = 5.0
_BEYOND_RANGE = 1.25  # no display goes further beyond the name of its range; common practice

MEANINGS: Mapping[str, str] = {
    "dc-voltage": "dc volts",
    "ac-voltage": "ac volts",
    "resistance": "ohms, 4-wire",
    "resistance-2-wire": "ohms, 2-wire",
    "dc-current": "dc amperes",
    "voltage-ratio": "ratio",
    "voltage": "output volts",
    "current": "output current",
    "insulation-resistance": "insulation resistance",
    "temperature": "temperature",
    "relative-humidity": "relative humidity",
    "pressure": "air pressure",
    "force": "force on the reference cell",
}
_NAMES: Mapping[str, str] = {"insulation": "insulation tester"}
# a bare number is in this unit; a typed unit or prefix wins
_SHOWN: Mapping[str, str] = {
    "current": "mA",
    "insulation-resistance": "Mohm",
    "pressure": "hPa",
    "voltage-ratio": "mV/V",
}
_PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    "insulation-resistance": (1e3, 1e14),
    "temperature": (0.0, 50.0),
    "relative-humidity": (1.0, 100.0),
    "pressure": (5e4, 1.1e5),
}
_OFF_CAUTION = "Touch no lead before its display shows that it is off."


class HandInstrument:
    """What all of them share: readings that are typed."""

    def __init__(self, role: str, hands: Hands, time: Time) -> None:
        self.role = role
        self.name = _NAMES.get(role, role.replace("-", " "))
        self._hands = hands
        self._time = time
        self.told: dict[str, Setting] = {}
        """What is kept beside the newest reading: its last digit, and corrections."""

    def close(self) -> None:
        """There is no link."""

    def read(self, quantity: str) -> Value:
        """Return one typed reading. Raises BenchFailure when it is never understood."""
        return self._typed(quantity)

    def _typed(
        self,
        quantity: str,
        range_: float | None = None,
        plausible: tuple[float, float] | None = None,
        hint: str = "",
        watched: HandTask | None = None,
    ) -> Value:
        """`watched` says how it is looked at, where that is not one look."""
        unit = UNITS[quantity]
        shown = _shown_unit(quantity, range_)
        what = f"Read the {self.name}: " if watched is None else watched.text
        text = f"{what}{MEANINGS[quantity]}, in {shown}{hint}"
        person = ByHand(self.role, lambda prompt: self._ask(prompt, watched), self._time)
        try:
            typed = person.read(
                quantity,
                unit,
                shown=shown,
                range_=range_,
                plausible=plausible or _PLAUSIBLE.get(quantity),
                text=text,
            )
        except NotUnderstoodError as error:
            raise BenchFailure(f"{self.name}, read by hand: {error}") from None
        self.told = _kept(typed)
        return typed.value

    def _ask(self, prompt: HandPrompt, watched: HandTask | None = None) -> str:
        text = f"{prompt.problem}. {prompt.text}" if prompt.problem else prompt.text
        task = HandTask(role=self.role, text=text, quantity=prompt.quantity)
        if watched is not None:
            task = replace(task, extreme=watched.extreme, seconds=watched.seconds)
        return self._hands.do(task)

    def _do(
        self,
        text: str,
        caution: str = "",
        settings: Mapping[str, Knob] | None = None,
        switch: bool | None = None,
    ) -> None:
        self._hands.do(
            HandTask(
                role=self.role, text=text, caution=caution, settings=settings or {}, switch=switch
            )
        )


class HandMeter(HandInstrument):
    """A multimeter that is set and read by a person."""

    capabilities: frozenset[str] = frozenset()
    _setting: tuple[str, float | None, float] | None = None

    def configure(
        self,
        quantity: str,
        *,
        range_: float | None = None,
        plc: float = 10.0,
        offset_compensation: bool = False,  # noqa: ARG002  (it has none that is known)
    ) -> None:
        """Have function and range set, unless they are; before the meter is joined."""
        setting = (quantity, range_, plc)
        if setting == self._setting:
            return
        range_text = "automatic" if range_ is None else format_value(range_, UNITS[quantity])
        self._setting = None
        self._do(
            f"Set the {self.name} to {MEANINGS[quantity]}, range {range_text},"
            f" {'slow' if plc >= _SLOW_CYCLES else 'fast'} ({plc:g} power-line"
            f" cycle{'' if plc == 1 else 's'} where it can be set)",
            settings={"quantity": quantity, "range": range_, "plc": plc},
        )
        self._setting = setting

    def measure(
        self,
        quantity: str,
        *,
        range_: float | None = None,
        plc: float = 10.0,
        offset_compensation: bool = False,
    ) -> Value:
        """Return one reading; over range is typed as `open`."""
        self.configure(quantity, range_=range_, plc=plc, offset_compensation=offset_compensation)
        return self._typed(quantity, range_, _within(quantity, range_), _OVER)

    def watch(
        self, quantity: str, range_: float | None, extreme: str, doing: str, seconds: float
    ) -> Value:
        """Return the lowest or the highest that it showed while something was done to the cell.

        `seconds` 0: of what the last watching showed.
        """
        text = f"And the {extreme} that it showed: "
        if seconds:
            text = f"Now {doing} for {seconds:g} s and watch the {self.name}; type the {extreme}"
            text += " that it showed: "
        watched = HandTask(role=self.role, text=text, extreme=extreme, seconds=seconds)
        return self._typed(quantity, range_, _within(quantity, range_), _OVER, watched)


class HandSource(HandInstrument):
    """What puts energy on leads by a person's hand: off only counts when it was read."""

    _off_below = OFF_VOLTS
    _quantity = "voltage"
    _off_text = ""

    def __init__(self, role: str, hands: Hands, time: Time) -> None:
        super().__init__(role, hands, time)
        self._proven_off = False

    def is_off(self) -> bool:
        """Whether it is proven off; asks for a reading when that is not known."""
        return self._proven_off or self._is_down()

    def safe_off(self) -> None:
        """Have it switched off and proven. Raises BenchFailure when it is not proven."""
        if not self._proven_off:
            self._switch_off()

    def _switch_off(self) -> None:
        self._proven_off = False
        self._do(self._off_text, _OFF_CAUTION, switch=False)
        for attempt in range(_PROOFS):
            if attempt:
                self._time.wait(_BETWEEN_PROOFS_S)
            if self._is_down():
                return
        raise BenchFailure(
            f"{self.name} NOT PROVEN OFF: switch it off at its panel before touching a lead"
        )

    def _is_down(self) -> bool:
        """Whether the display shows that nothing is left on the terminals."""
        hint = "; where it shows the word OFF instead of volts, type off"
        said = []

        def ask(prompt: HandPrompt) -> str:
            said.append(self._ask(prompt))
            return "0 V" if said[-1].strip().lower() in _OFF_WORDS else said[-1]

        person = ByHand(self.role, ask, self._time)
        text = f"Read the {self.name}: volts at its terminals now{hint}"
        try:
            volts = person.read(self._quantity, "V", text=text).value
        except NotUnderstoodError as error:
            raise BenchFailure(f"{self.name}, read by hand: {error}") from None
        down = volts.value is not None and volts.limit != "above"
        self._proven_off = down and abs(volts.value or 0.0) <= self._off_below
        return self._proven_off


class HandSupply(HandSource):
    """A supply that is set and switched by a person."""

    _off_text = "Switch the supply's output OFF"
    _volts = 0.0
    _most = 0.0
    _knobs: Mapping[str, Knob] | None = None

    def program(
        self,
        volts: float,
        amps_limit: float,
        protection_volts: float | None = None,
        remote_sense: bool | None = None,
    ) -> None:
        """Have volts, current limit, protection and sense set, unless they are."""
        amps_limit = _as_a_knob(amps_limit)
        knobs: dict[str, Knob] = {"volts": volts, "amps_limit": amps_limit}
        texts = [format_value(volts, "V"), f"current limit {format_value(amps_limit, 'A')}"]
        if protection_volts is not None:
            knobs["protection_volts"] = protection_volts
            texts.append(f"over-voltage protection {format_value(protection_volts, 'V')}")
        if remote_sense is not None:
            knobs["remote_sense"] = remote_sense
            texts.append("remote sense on" if remote_sense else "sense at its terminals")
        if knobs == self._knobs:
            return
        self._knobs = None
        self._do(f"Set the supply, output off, to {'; '.join(texts)}", settings=knobs)
        self._knobs = knobs
        self._volts = volts
        self._most = max(1.02 * volts + OFF_VOLTS, min(protection_volts or 0.0, 1.1 * volts))

    def switch_on(self) -> None:
        """Have the output switched on, and read what it does.

        Raises BenchFailure when it shows more than was asked for.
        """
        self._proven_off = False
        self._do(
            f"Switch the supply's output ON ({format_value(self._volts, 'V')})",
            "The leads are live from now on: hands off clips and bare ends.",
            switch=True,
        )
        shown = self._typed("voltage", plausible=(-OFF_VOLTS, self._most))
        if shown.value is None or abs(shown.value) > self._most:
            raise BenchFailure(
                f"supply: {shown.raw} is shown where {self._volts:g} V was asked for:"
                " switch it off and look at its knobs"
            )

    def switch_off(self) -> None:
        """Have the output switched off, and prove by its display that nothing is left."""
        self._switch_off()

    def read(self, quantity: str) -> Value:
        """Return what its display shows of `voltage` or `current`."""
        if quantity not in ("voltage", "current"):
            raise BenchFailure(f"the supply, read by hand, shows no {quantity}")
        return self._typed(quantity)


class HandTester(HandSource):
    """An insulation tester that is set, started and stopped by a person."""

    _off_below = DISCHARGED_VOLTS
    _quantity = "dc-voltage"
    _off_text = "Stop the insulation test and wait until the leads are discharged"
    _volts = 0.0
    _set_to: float | None = None

    def start(self, volts: float) -> None:
        """Have the test voltage set and the test started."""
        if volts != self._set_to:
            self._set_to = None
            self._do(f"Set the insulation tester to {volts:g} V", settings={"volts": volts})
            self._set_to = volts
        self._volts = volts
        self._proven_off = False
        self._do(
            f"Start the insulation test ({volts:g} V) and let it go on",
            f"Test voltage {volts:g} V: touch no lead until it is stopped and discharged.",
            switch=True,
        )

    def read(self, quantity: str = "insulation-resistance") -> Value:
        """Return the insulation resistance that stands on the display."""
        return self._typed(quantity, hint=" (beyond its end as it shows it: >20 G)")

    def applied_volts(self) -> Value:
        """Return the voltage that the display shows while the test goes on."""
        plausible = (0.5 * self._volts, 1.5 * self._volts) if self._volts else None
        hint = "; where it shows none, the set test voltage"
        return self._typed("dc-voltage", plausible=plausible, hint=hint)

    def stop(self) -> None:
        """Have the test stopped, and prove by the display that the leads are discharged."""
        self._switch_off()


class TestVolts(HandInstrument):
    """The volts of an insulation tester that has a link, and a knob that only a hand turns."""

    __test__ = False  # not a test class, whatever its name begins with
    _set_to: float | None = None

    def have_set(self, volts: float) -> None:
        """Have them set and confirmed before a test is started, unless they are."""
        if volts == self._set_to:
            return
        self._set_to = None
        self._do(
            f"Set the {self.name} to {volts:g} V at its panel and start nothing; done means that"
            f" you have read {volts:g} V there once more",
            f"A voltage above {volts:g} V may destroy the cell.",
            settings={"volts": volts},
        )
        self._set_to = volts


def _within(quantity: str, range_: float | None) -> tuple[float, float] | None:
    """What a display in this range may show."""
    if range_ is None:
        return None
    most = _BEYOND_RANGE * range_
    return -0.01 * most if quantity.startswith("resistance") else -most, most


def _as_a_knob(amperes: float) -> float:
    """Return a current limit in three digits, as a knob can be set: never above what is asked."""
    digit: float = 10.0 ** (math.floor(math.log10(amperes)) - 2)
    return round(math.floor(amperes / digit * (1 + 1e-9)) * digit, 9)


def _shown_unit(quantity: str, range_: float | None) -> str:
    if quantity == "dc-voltage" and range_ is not None and range_ < 1.0:
        return "mV"
    return _SHOWN.get(quantity) or UNITS[quantity]


def _kept(typed: Typed) -> dict[str, Setting]:
    kept: dict[str, Setting] = {"by_hand": True}
    if typed.last_digit is not None:
        kept["last_digit"] = typed.last_digit
    if typed.was_corrected:
        kept["typed"] = " | ".join(typed.typed)
    return kept
