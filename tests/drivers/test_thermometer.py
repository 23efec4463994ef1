"""What only reads."""

from __future__ import annotations

import pytest

from drivers.errors import RefusedError, ReplyError
from drivers.thermometer import Thermometer
from drivers.time import WallTime
from tests.drivers.instruments_met import Scpi
from tests.drivers.peers import Peer, Serve
from tests.drivers.shapes import dialect, quick

CLIMATE = """
role = "hygrometer"
about = "sends a line of temperature, humidity and pressure when asked"
[link]
reply_s = 0.5
[quantities.temperature]
unit = "degC"
[quantities.temperature.reading]
ask = "SEND"
reply = { pattern = "T=(?P<value>{number})(?P<unit>'C|'F) RH={number}% P={number}hPa", units = { "'C" = "degC", "'F" = "F" } }
[quantities.relative-humidity]
unit = "percent"
[quantities.relative-humidity.reading]
ask = "SEND"
reply = { pattern = "T=.* RH=(?P<value>{number})(?P<unit>%) .*" }
[quantities.pressure]
unit = "Pa"
[quantities.pressure.reading]
ask = "SEND"
reply = { pattern = "T=.* P=(?P<value>{number})(?P<unit>hPa)" }
"""  # noqa: E501


def thermometer(reading: str, unit: str = "C") -> Scpi:
    made = Scpi("EXAMPLE,THERMOMETER,1,1")
    made.first = {"UNIT:TEMP": unit}
    made.answers = {"MEAS:TEMP?": reading}
    made.power_up()
    return made


@pytest.mark.parametrize("reading", ["+2.31500E+01", "23.15 C", "73.67 F", "296.3 K"])
def test_a_temperature_is_in_degrees_celsius(serve: Serve, reading: str) -> None:
    with (
        serve(Peer(thermometer(reading, "F"))) as peer,
        Thermometer.open("thermometer", peer.resource, quick("scpi-thermometer"), WallTime()) as it,
    ):
        value = it.read()
        assert value.value == pytest.approx(23.15)
        assert value.unit == "degC"
        with pytest.raises(RefusedError, match="does not measure pressure"):
            it.read("pressure")


@pytest.mark.parametrize("reading", ["open", "1.2 V", "23.1.5"])
def test_what_is_no_temperature_is_an_error(serve: Serve, reading: str) -> None:
    with (
        serve(Peer(thermometer(reading))) as peer,
        Thermometer.open("thermometer", peer.resource, quick("scpi-thermometer"), WallTime()) as it,
        pytest.raises(ReplyError),
    ):
        it.read()


def test_several_quantities_come_out_of_one_line(serve: Serve) -> None:
    peer = Peer(lambda line: "T=23.1'C RH=45.2% P=1013.2hPa" if line == "SEND" else None)
    with (
        serve(peer) as served,
        Thermometer.open("hygrometer", served.resource, dialect(CLIMATE), WallTime()) as it,
    ):
        assert it.read("temperature").value == pytest.approx(23.1)
        assert it.read("relative-humidity").value == 45.2
        assert it.read("pressure").value == pytest.approx(101320.0)
