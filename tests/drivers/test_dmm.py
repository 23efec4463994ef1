"""The multimeter's driver with meters that differ in words and manners."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from drivers.dialect import Dialect
from drivers.dmm import Dmm
from drivers.errors import InstrumentError, NoReplyError, RefusedError, ReplyError
from drivers.time import WallTime
from tests.drivers.instruments_met import Meter
from tests.drivers.peers import Manners, Obey, Peer, Serve, on_pty, on_tcp, words
from tests.drivers.shapes import dialect, meter, quick


@contextmanager
def opened(peer: Peer, spoken: Dialect, **more: Any) -> Iterator[Dmm]:
    with Dmm.open("dmm", peer.resource, spoken, WallTime(), **more) as dmm:
        yield dmm


@pytest.mark.parametrize("name", ["scpi-dmm", "scpi-dmm-function"])
def test_a_meter_is_set_read_back_and_read(serve: Serve, name: str) -> None:
    with serve(Peer(Meter())) as peer, opened(peer, quick(name)) as dmm:
        value = dmm.measure("dc-voltage", range_=0.05, plc=10.0)
        assert (value.value, value.limit, value.unit, value.range) == (0.351, None, "V", 0.1)
        assert value.raw == "+3.51000000E-01"
        assert value.started_ns < value.ended_ns
        assert dmm.measure("resistance", range_=400.0, offset_compensation=True).value == 352.0
        assert dmm.measure("resistance-2-wire", range_=400.0).value == 353.0
        assert dmm.measure("dc-voltage").range is not None
    meter_settings = peer.obey.settings  # type: ignore[attr-defined]
    assert meter_settings["FRES:OCOM"] == "1"
    assert meter_settings["RES:OCOM"] == "0"


def test_settings_are_sent_only_when_they_change(serve: Serve) -> None:
    with serve(Peer(Meter())) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        dmm.measure("dc-voltage", range_=0.1, plc=1.0)
        peer.received.clear()
        dmm.measure("dc-voltage", range_=0.1, plc=1.0)
        assert peer.received == ["READ?", "FETC?", "FUNC?"]
        dmm.measure("dc-voltage", range_=0.1, plc=10.0)
        assert "VOLT:DC:NPLC 10" in peer.received


def test_readings_that_belong_together_are_started_and_fetched(serve: Serve) -> None:
    with serve(Peer(Meter())) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        with pytest.raises(RefusedError, match="no reading was started"):
            dmm.fetch()
        dmm.start("dc-voltage", range_=1.0)
        time.sleep(0.05)
        value = dmm.fetch()
        assert value.value == 0.351
        assert value.ended_ns - value.started_ns > 40_000_000
        with pytest.raises(RefusedError, match="no reading was started"):
            dmm.fetch()


def test_resolution_stands_for_integration_where_the_meter_has_no_other(serve: Serve) -> None:
    meter_ = Meter()
    asked: list[str] = []

    def obey(line: str) -> str | None:
        if line.startswith("MEAS:"):
            asked.append(line)
            return meter_("READ?")
        return meter_(line)

    with serve(Peer(obey)) as peer, opened(peer, quick("scpi-dmm-measure")) as dmm:
        assert dmm.measure("dc-voltage", range_=10.0, plc=10.0).range == 10.0
        assert dmm.measure("resistance", range_=1000.0, plc=0.02).value == 0.352
        dmm.measure("dc-voltage")
        with pytest.raises(RefusedError, match="plc 1000 is above the highest allowed, 100"):
            dmm.measure("dc-voltage", range_=10.0, plc=1000.0)
        assert "start and fetch" not in dmm.capabilities
        with pytest.raises(RefusedError, match="cannot start now and fetch later"):
            dmm.start("dc-voltage")
    assert asked == [
        "MEAS:VOLT:DC? 10,0.00001", "MEAS:FRES? 1000,0.1", "MEAS:VOLT:DC? DEF,DEF",
    ]  # fmt: skip


def test_what_a_meter_cannot_do_is_said_before_anything_is_sent(serve: Serve) -> None:
    with serve(Peer(Meter())) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        peer.received.clear()
        with pytest.raises(RefusedError, match="it does not measure frequency; it measures ac-"):
            dmm.measure("frequency")
        with pytest.raises(RefusedError, match="no offset compensation for dc-voltage"):
            dmm.measure("dc-voltage", offset_compensation=True)
        assert peer.received == []


def test_a_command_longer_than_the_instrument_takes_is_refused(serve: Serve) -> None:
    spoken = meter(more='[[start_up]]\ntell = "' + "X" * 201 + '"')
    with (
        serve(Peer(words({}))) as peer,
        pytest.raises(RefusedError, match="of 201 characters is too long"),
    ):
        Dmm.open("dmm", peer.resource, spoken, WallTime())
    assert not any(peer.received)


def test_a_range_that_was_not_taken_over_is_refused_with_the_meters_own_words(serve: Serve) -> None:
    with serve(Peer(Meter())) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        with pytest.raises(RefusedError, match="-222 Data out of range"):
            dmm.measure("dc-voltage", range_=5000.0)
        assert dmm.measure("dc-voltage", range_=1.0).value == 0.351


def test_a_setting_that_is_silently_not_taken_over_shows_in_the_read_back(serve: Serve) -> None:
    meter_ = Meter()
    meter_.actions["VOLT:DC:NPLC"] = lambda _: None
    with (
        serve(Peer(meter_)) as peer,
        opened(peer, quick("scpi-dmm")) as dmm,
        pytest.raises(RefusedError, match="plc was set 1, it says 10"),
    ):
        dmm.measure("dc-voltage", plc=1.0)


def test_an_error_that_is_queued_beside_an_answer_is_not_overlooked(serve: Serve) -> None:
    meter_ = Meter()
    plain = meter_.answers["VOLT:DC:NPLC?"] = lambda: _complaining(meter_)

    def _complaining(which: Meter) -> str:
        which.errors.append('-108,"Parameter not allowed"')
        return which.settings["VOLT:DC:NPLC"]

    assert callable(plain)
    with (
        serve(Peer(meter_)) as peer,
        opened(peer, quick("scpi-dmm")) as dmm,
        pytest.raises(RefusedError, match="-108 Parameter not allowed after 'CONF:VOLT:DC 1'"),
    ):
        dmm.measure("dc-voltage", range_=1.0)


def test_a_question_that_is_not_understood_is_explained_by_the_error_queue(serve: Serve) -> None:
    meter_ = Meter()
    del meter_.first["INP:IMP:AUTO"]
    meter_.power_up()
    with (
        serve(Peer(meter_)) as peer,
        opened(peer, quick("scpi-dmm")) as dmm,
        pytest.raises(RefusedError, match=r"-113 Undefined header;INP:IMP:AUTO"),
    ):
        dmm.measure("dc-voltage")


@pytest.mark.parametrize(
    ("reply", "limit"), [("+9.90000000E+37", "above"), ("-9.90000000E+37", "below")]
)
def test_over_range_is_a_limit_and_not_a_number(serve: Serve, reply: str, limit: str) -> None:
    meter_ = Meter()
    meter_.reading = reply
    with serve(Peer(meter_)) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        value = dmm.measure("dc-voltage", range_=0.1)
        assert (value.value, value.limit, value.raw) == (None, limit, reply)


def test_not_a_number_is_an_error(serve: Serve) -> None:
    meter_ = Meter()
    meter_.reading = "9.91E37"
    with (
        serve(Peer(meter_)) as peer,
        opened(peer, quick("scpi-dmm")) as dmm,
        pytest.raises(NoReplyError, match=r"has no value: '9\.91E37'"),
    ):
        dmm.measure("dc-voltage", range_=0.1)


def test_several_readings_where_one_is_awaited_are_an_error(serve: Serve) -> None:
    meter_ = Meter()
    meter_.reading = "+1.0E+00,+1.1E+00,+1.2E+00"
    with (
        serve(Peer(meter_)) as peer,
        opened(peer, quick("scpi-dmm")) as dmm,
        pytest.raises(ReplyError, match="does not match"),
    ):
        dmm.measure("dc-voltage", range_=0.1)


def test_nothing_measured_in_a_function_of_after_a_power_cycle_is_returned() -> None:
    # a serial line does not show that power was gone
    meter_ = Meter()
    with on_pty(Peer(meter_)) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        assert dmm.measure("resistance", range_=1000.0).value == 351.0
        meter_.power_up()
        with pytest.raises(InstrumentError):
            dmm.measure("resistance", range_=1000.0)


def test_after_a_lost_link_everything_is_set_again() -> None:
    meter_ = Meter()
    with on_tcp(Peer(meter_)) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        assert dmm.measure("resistance", range_=1000.0).value == 351.0
        peer.behave(Manners(cut_after=3, then="close", times=1))
        with pytest.raises(InstrumentError):
            dmm.measure("resistance", range_=1000.0)
        meter_.power_up()
        value = dmm.measure("resistance", range_=1000.0)
        assert value.value == meter_.value(meter_.count)
        assert meter_.function == "FRES"


def test_a_digit_lost_on_the_way_is_noticed_where_the_meter_keeps_its_reading(serve: Serve) -> None:
    with serve(Peer(Meter())) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        dmm.measure("dc-voltage", range_=1.0)
        peer.behave(Manners(transform=lambda data: data.replace(b"3.5", b"3."), times=1))
        with pytest.raises(ReplyError, match="asked again it said"):
            dmm.measure("dc-voltage", range_=1.0)
        assert dmm.measure("dc-voltage", range_=1.0).value is not None


def test_somebody_else_on_the_port_is_not_spoken_to(serve: Serve) -> None:
    with serve(Peer(Meter())) as peer:
        with pytest.raises(ReplyError, match="somebody else"):
            Dmm.open("dmm", peer.resource, quick("scpi-dmm"), WallTime(), identity="OTHER.*")
        with opened(peer, quick("scpi-dmm"), identity="EXAMPLE,METER,0417,.*") as dmm:
            assert dmm.identify() == "EXAMPLE,METER,0417,1.0"
    assert not any(line.startswith("CONF") for line in peer.received)


def test_a_dialect_of_another_role_is_refused(serve: Serve) -> None:
    with serve(Peer(Meter())) as peer, pytest.raises(RefusedError, match="one for a supply"):
        Dmm.open("dmm", peer.resource, quick("scpi-supply"), WallTime())


def test_what_stood_in_the_error_queue_before_is_not_ours(serve: Serve) -> None:
    meter_ = Meter()
    meter_.errors = ['-410,"Query INTERRUPTED"', '-113,"Undefined header"']
    with serve(Peer(meter_)) as peer, opened(peer, quick("scpi-dmm")) as dmm:
        assert dmm.measure("dc-voltage").value == 0.351


# shapes of readings and settings, each over a real link: (dialect, what the meter says, value)
SHAPES: list[Any] = [
    pytest.param(meter(), {"READ?": "+1.23456789E-03"}, 1.23456789e-3, id="plain"),
    pytest.param(
        meter('reply_end = "\\n"'), {"READ?": b"      1.2500\r"}, 1.25, id="padded, CR before LF"
    ),
    pytest.param(
        dialect("""
role = "dmm"
about = "unit and prefix in the reply"
[quantities.dc-voltage]
unit = "V"
[quantities.dc-voltage.reading]
ask = "READ?"
reply = "(?P<value>{number}) ?(?P<prefix>{prefix})(?P<unit>V)"
"""),
        {"READ?": "1.2346 mV"}, 1.2346e-3, id="unit and prefix",
    ),
    pytest.param(
        dialect("""
role = "dmm"
about = "fields and a status letter"
[quantities.dc-voltage]
unit = "V"
[quantities.dc-voltage.reading]
ask = "VAL?"
[quantities.dc-voltage.reading.reply]
pattern = '(?P<status>[NO])DC(?P<value>{number})V,\\d+SECS,\\+\\d+RDNG#'
status = { N = "good", O = "above" }
"""),
        {"VAL?": "NDC+1.5000E+00V,17SECS,+00042RDNG#"}, 1.5, id="status, time and count",
    ),
    pytest.param(
        dialect("""
role = "dmm"
about = "two lines"
[quantities.dc-voltage]
unit = "V"
[quantities.dc-voltage.reading]
ask = "QM"
reply = { pattern = '0\\nQM,(?P<value>{number}),VDC', lines = 2 }
"""),
        {"QM": b"0\nQM,+1.5,VDC"}, 1.5, id="two lines",
    ),
    pytest.param(
        dialect("""
role = "dmm"
about = "words for ranges and speeds"
[values.plc]
choices = [{ value = 0.2, word = "F", reading_s = 0.1 }, { value = 10.0, word = "S" }]
[quantities.dc-voltage]
unit = "V"
values.range.choices = [{ value = 0.3, word = "1" }, { value = 3.0, word = "2" }]
settings = [
    { tell = "RATE,{plc}", ask = "RATE?", reply = "RATE,(?P<plc>[FS])" },
    { tell = "RANGE,{range}", ask = "RANGE?", reply = "(?P<range>[0-9])", when = "range" },
]
[quantities.dc-voltage.reading]
ask = "VAL?"
reply = "(?P<value>{number})"
"""),
        {"RATE,S": None, "RATE?": "RATE,S", "RANGE,2": None, "RANGE?": "2", "VAL?": "1.5"},
        1.5, id="words for range and integration",
    ),
    pytest.param(
        dialect("""
role = "dmm"
about = "a channel in the command"
options = { channel = "104" }
[quantities.dc-voltage]
unit = "V"
[[quantities.dc-voltage.settings]]
tell = "SENS:VOLT:NPLC {plc},(@{channel})"
ask = "SENS:VOLT:NPLC? (@{channel})"
reply = "(?P<plc>{number})"
[quantities.dc-voltage.reading]
ask = "MEAS:VOLT:DC? (@{channel})"
reply = "(?P<value>{number})"
"""),
        {"SENS:VOLT:NPLC 10,(@104)": None, "SENS:VOLT:NPLC? (@104)": "+1.0E+01",
         "MEAS:VOLT:DC? (@104)": "1.5"},
        1.5, id="integration and reading by channel list",
    ),
    pytest.param(
        dialect("""
role = "dmm"
about = "four wires by a switch of its own"
[quantities.dc-voltage]
unit = "V"
settings = [
    { tell = "RES" },
    { tell = "SYST:RSEN ON", ask = "SYST:RSEN?", reply = "1|ON" },
]
[quantities.dc-voltage.reading]
ask = "READ?"
reply = "(?P<value>{number})"
"""),
        {"RES": None, "SYST:RSEN ON": None, "SYST:RSEN?": "ON", "READ?": "1.5"},
        1.5, id="sense switched apart, read back as a word",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("spoken", "says", "value"), SHAPES)
def test_every_shape_of_setting_and_reading_is_said_by_the_file(
    serve: Serve, spoken: Dialect, says: dict[str, Any], value: float
) -> None:
    with serve(Peer(words(says))) as peer, opened(peer, spoken) as dmm:
        assert dmm.measure("dc-voltage", range_=2.0, plc=10.0).value == pytest.approx(value)
    unknown = set(peer.received) - set(says) - {""}
    assert not unknown


POLLED = dialect("""
role = "dmm"
about = "started and polled"
[quantities.dc-voltage]
unit = "V"
[quantities.dc-voltage.reading]
by = "poll"
begin = [{ tell = "TRIG" }]
ask = "DATA?"
reply = "(?P<value>{number})"
[quantities.dc-voltage.reading.state]
ask = "STAT?"
reply = "(?P<state>[A-Z]+)"
ready = ["DONE"]
busy = ["BUSY"]
stopped = ["HOLD"]
every_s = 0.02
longest_s = 0.3
""")


@pytest.mark.parametrize(
    ("states", "outcome"),
    [
        (["BUSY", "BUSY", "DONE"], "1.5"),
        (["HOLD"], "RefusedError"),
        (["BUSY"] * 1000, "NoReplyError"),
        (["LOST"], "ReplyError"),
        (["busy"], "ReplyError"),
    ],
)
def test_a_reading_is_polled_until_it_is_there(
    serve: Serve, states: list[str], outcome: str
) -> None:
    left = iter(states)
    obey: Obey = lambda line: {"STAT?": lambda: next(left), "DATA?": lambda: "1.5"}.get(  # noqa: E731
        line, lambda: None
    )()
    with serve(Peer(obey)) as peer, opened(peer, POLLED) as dmm:
        try:
            said = str(dmm.measure("dc-voltage").value)
        except InstrumentError as error:
            said = type(error).__name__
    assert said == outcome
    assert "TRIG" in peer.received


FREE_RUNNING = dialect("""
role = "dmm"
about = "measures by itself; the newest reading is fetched"
[quantities.dc-voltage]
unit = "V"
settings = [{ tell = 'FUNC "VOLT:DC"', ask = "FUNC?", reply = '"VOLT.*"' }]
[quantities.dc-voltage.reading]
ask = "FETC?"
reply = "(?P<value>{number})"
stale_s = 0.2
""")


def test_a_free_running_meter_is_not_read_before_a_reading_can_be_new(serve: Serve) -> None:
    set_at: list[float] = []

    def obey(line: str) -> str | None:
        if line.startswith("FUNC "):
            set_at.append(time.monotonic())
        if line == "FUNC?":
            return '"VOLT:DC"'
        if line == "FETC?":
            return "1.5" if time.monotonic() - set_at[0] >= 0.2 else "350.1"
        return None

    with serve(Peer(obey)) as peer, opened(peer, FREE_RUNNING) as dmm:
        assert dmm.measure("dc-voltage").value == 1.5


def test_a_rest_after_one_certain_setting_is_kept(serve: Serve) -> None:
    spoken = dialect("""
role = "dmm"
about = "an input relay that needs time"
[quantities.dc-voltage]
unit = "V"
settings = [{ tell = "INP 1", ask = "INP?", reply = "1", settle_s = 0.3 }]
[quantities.dc-voltage.reading]
ask = "READ?"
reply = "(?P<value>{number})"
""")
    heard: dict[str, float] = {}
    answers = {"INP?": "1", "READ?": "1.5"}

    def obey(line: str) -> str | None:
        heard[line] = time.monotonic()
        return answers.get(line)

    with (
        serve(Peer(obey)) as served,
        Dmm.open("dmm", served.resource, spoken, WallTime()) as dmm,
    ):
        assert dmm.measure("dc-voltage").value == 1.5
    assert heard["INP?"] - heard["INP 1"] >= 0.3 * 0.9
