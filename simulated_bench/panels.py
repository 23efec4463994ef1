"""Front panels: what a person sets, presses and reads, whatever the instrument's wire speaks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from simulated_bench.circuit import Point
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.insulation_tester import RefusedError, Tester
from simulated_bench.instruments.meter_functions import FUNCTIONS
from simulated_bench.instruments.multimeter import Multimeter
from simulated_bench.instruments.power_supply import PowerSupply
from simulated_bench.instruments.source import Source
from simulated_bench.scpi import ScpiError

Settings = Mapping[str, object]

_SLACK_S = 0.5
LEAST_PLC, MOST_PLC = 0.001, 1000.0


class PanelError(Exception):
    """A knob, key or field that this front panel does not have, or that has no effect now."""


def turn(device: Instrument, settings: Settings) -> None:
    """Bring the knobs to `settings`; raises PanelError."""
    match device:
        case PowerSupply():
            _turn_supply(device, settings)
        case Multimeter():
            _turn_meter(device, settings)
        case Tester():
            _known(device, settings, {"volts"})
            _obeyed(device, lambda: device.choose(round(_number(settings, "volts"))))
        case _:
            raise PanelError(f"{device.name} has no knobs")


def press(device: Instrument, *, on: bool) -> None:
    """Press what switches the output or the test on or off; raises PanelError."""
    match device:
        case PowerSupply():
            device.obey(b"OUTP ON\n" if on else b"OUTP OFF\n")
        case Tester():
            _obeyed(device, device.begin if on else device.end)
        case _:
            raise PanelError(f"{device.name} has no output to switch")


def look(device: Instrument) -> float:
    """Begin to look at a display; return after how many seconds it shows what is there now.

    A meter on its own measures all the time: here it does when somebody looks.
    """
    if not isinstance(device, Multimeter):
        return 0.0
    try:
        device.initiate()
    except ScpiError as error:
        raise PanelError(f"{device.name} is busy: {error}") from None
    cycles = device.settings[device.function.name].plc
    return 2.0 * cycles / device.site.mains_hertz + _SLACK_S


def field(device: Instrument, quantity: str) -> str:
    """Return what the display shows of one quantity; raises PanelError when it shows none."""
    match device, quantity:
        case PowerSupply(), "voltage":
            return f"{_volts(device):.3f} V"
        case PowerSupply(), "current":
            return f"{_amps(device) * 1e3:.1f} mA"
        case Tester(), "insulation-resistance":
            return _insulation(device)
        case Tester(), "dc-voltage":
            return f"{max(0.0, device.volts_now()):.1f} V"
        case Source(), "dc-voltage" | "dc-current":
            wanted = "dc-voltage" if device.function == "VOLT" else "dc-current"
            if quantity != wanted:
                raise PanelError(f"{device.name} is set to {wanted}")
            return device.display().rpartition(" ")[0]  # beside it stands ON or OFF
        case Multimeter(), _ if quantity != device.function.quantity:
            raise PanelError(f"{device.name} is set to {device.function.quantity}")
        case ((PowerSupply() | Tester()), _):
            raise PanelError(f"{device.name} shows no {quantity}")
    return device.display()


def _turn_supply(supply: PowerSupply, settings: Settings) -> None:
    _known(supply, settings, {"volts", "amps_limit", "protection_volts", "remote_sense"})
    words = {"volts": "VOLT", "amps_limit": "CURR", "protection_volts": "VOLT:PROT"}
    said = [f"{word} {_number(settings, key)!r}" for key, word in words.items() if key in settings]
    if "remote_sense" in settings:
        said.append(f"VOLT:SENS:SOUR {'EXT' if settings['remote_sense'] is True else 'INT'}")
    supply.obey((";:".join(said) + "\n").encode())


def _turn_meter(meter: Multimeter, settings: Settings) -> None:
    _known(meter, settings, {"quantity", "range", "plc"})
    wanted = settings.get("quantity")
    function = next((f for f in FUNCTIONS.values() if f.quantity == wanted), None)
    if function is None:
        raise PanelError(f"{meter.name} measures no {wanted}")
    range_ = _number(settings, "range") if settings.get("range") is not None else None
    try:
        meter.configure(function, range_, None)
    except ScpiError:
        raise PanelError(f"{meter.name} has no range {range_:g}") from None
    if "plc" in settings:
        plc = _number(settings, "plc")
        if not LEAST_PLC <= plc <= MOST_PLC:
            raise PanelError(f"{meter.name} has no plc {plc:g}: {LEAST_PLC:g} to {MOST_PLC:g}")
        meter.settings[function.name] = replace(meter.settings[function.name], plc=plc)


def _insulation(tester: Tester) -> str:
    """The newest result, as it stands there while the test goes on and after it."""
    newest = tester.newest
    if newest is None:
        return "---"
    return f"{newest.sign}{newest.limit if newest.ohms is None else newest.ohms:.3E} OHM"


def _volts(supply: PowerSupply) -> float:
    def sensed(point: Point) -> float | None:
        return supply.output.sensed_volts(point, supply.name)

    return supply.reading[0].shown(supply.site.now(sensed) or 0.0, supply.site.celsius())


def _amps(supply: PowerSupply) -> float:
    def flowing(point: Point) -> float:
        return supply.delivered(point) if supply.output.on else 0.0

    return supply.reading[1].shown(supply.site.now(flowing) or 0.0, supply.site.celsius())


def _obeyed(tester: Tester, key: Callable[[], None]) -> None:
    try:
        key()
    except RefusedError as refusal:
        raise PanelError(f"{tester.name} refuses: {refusal}") from None


def _known(device: Instrument, settings: Settings, knobs: set[str]) -> None:
    for name in settings:
        if name not in knobs:
            raise PanelError(f"{device.name} has no knob {name!r}, only {', '.join(sorted(knobs))}")


def _number(settings: Settings, key: str) -> float:
    value = settings.get(key)
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise PanelError(f"{key}: a number is needed, got {value!r}")
    return float(value)
