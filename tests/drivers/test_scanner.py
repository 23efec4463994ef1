"""The scanner's driver: break before make, and every step read back."""

from __future__ import annotations

import pytest

from drivers.dialect import Dialect
from drivers.errors import RefusedError, ReplyError
from drivers.scanner import Scanner
from drivers.time import WallTime
from tests.drivers.instruments_met import Relays
from tests.drivers.peers import Peer, Serve, on_tcp, words
from tests.drivers.shapes import dialect, quick

OFF = """
[safe_off]
tell = ["ROUT:OPEN:ALL"]
proof = [{ ask = "ROUT:CLOS:STAT?", reply = '\\(@\\)' }]
"""
FOUR_DIGITS = f"""
role = "scanner"
about = "four-digit channels, opened all together"
[scanner]
close = "ROUT:CLOS {{list}}"
open_all = "ROUT:OPEN ALL"
closed = "ROUT:CLOS:STAT?"
channel_form = "{{channel:04d}}"
{OFF}
"""
CARDS = f"""
role = "scanner"
about = "card and place"
[scanner]
close = "ROUT:CLOS {{list}}"
open = "ROUT:OPEN {{list}}"
open_all = "ROUT:OPEN:ALL"
closed = "ROUT:CLOS:STAT?"
channel_form = "{{card}}!{{place}}"
channel_pattern = '(?P<card>\\d+)!(?P<place>\\d+)'
{OFF}
"""
ONE_BY_ONE = f"""
role = "scanner"
about = "states by list, few channels a command"
[scanner]
close = "ROUT:CLOS {{list}}"
open = "ROUT:OPEN {{list}}"
open_all = "ROUT:OPEN:ALL"
closed = "ROUT:CLOS? {{list}}"
closed_by = "each"
channels = [101, 102, 203, 204, 306]
most_per_command = 2
{OFF}
"""


@pytest.mark.parametrize(
    ("spoken", "pattern", "told"),
    [
        (
            quick("scpi-scanner"), r"\d+",
            ["ROUT:CLOS (@101,203)", "ROUT:OPEN (@203)", "ROUT:CLOS (@306)", "ROUT:OPEN:ALL"],
        ),
        (
            dialect(FOUR_DIGITS), r"\d{4}",
            ["ROUT:CLOS (@0101,0203)", "ROUT:OPEN ALL", "ROUT:CLOS (@0101,0306)", "ROUT:OPEN ALL"],
        ),
        (
            dialect(CARDS), r"\d!\d",
            ["ROUT:CLOS (@1!1,2!3)", "ROUT:OPEN (@2!3)", "ROUT:CLOS (@3!6)", "ROUT:OPEN:ALL"],
        ),
        (
            dialect(ONE_BY_ONE), r"\d+",
            ["ROUT:CLOS (@101,203)", "ROUT:OPEN (@203)", "ROUT:CLOS (@306)", "ROUT:OPEN:ALL"],
        ),
    ],
    ids=["list", "four digits", "card and place", "states by list"],
)  # fmt: skip
def test_exactly_the_wanted_channels_are_closed_and_the_others_first_opened(
    serve: Serve, spoken: Dialect, pattern: str, told: list[str]
) -> None:
    relays = Relays(pattern)
    with (
        serve(Peer(relays)) as peer,
        Scanner.open("scanner", peer.resource, spoken, WallTime()) as scanner,
    ):
        scanner.close_only([203, 101])
        assert scanner.closed() == {101, 203}
        scanner.close_only({101, 306})
        assert scanner.closed() == {101, 306}
        scanner.close_only({101, 306})
        scanner.open_all()
        assert scanner.closed() == frozenset()
    said = [line for line in peer.received if line.startswith(("ROUT:OPEN", "ROUT:CLOS "))]
    assert said == told


def test_a_relay_that_sticks_is_named() -> None:
    relays = Relays()
    with (
        on_tcp(Peer(relays)) as peer,
        Scanner.open("scanner", peer.resource, quick("scpi-scanner"), WallTime()) as scanner,
    ):
        scanner.close_only({101, 205})
        relays.stuck = {"205"}
        with pytest.raises(RefusedError, match="told to open, it did not: channels 205"):
            scanner.close_only({101})
        assert "ROUT:CLOS (@306)" not in peer.received
        with pytest.raises(RefusedError, match="told to open"):
            scanner.open_all()
        with pytest.raises(RefusedError, match="NOT PROVEN OFF"):
            scanner.safe_off()


def test_ranges_in_the_read_back_are_understood(serve: Serve) -> None:
    answers = {"*IDN?": "X", "SYST:ERR?": "0", "ROUT:CLOS:STAT?": "(@101:104,201)"}
    with (
        serve(Peer(words(answers))) as peer,
        Scanner.open("scanner", peer.resource, quick("scpi-scanner"), WallTime()) as scanner,
    ):
        assert scanner.closed() == {101, 102, 103, 104, 201}


@pytest.mark.parametrize("said", ["(@101,,1x2)", "101", "(@abc)", "1"])
def test_a_read_back_that_is_no_list_is_an_error(serve: Serve, said: str) -> None:
    answers = {"*IDN?": "X", "SYST:ERR?": "0", "ROUT:CLOS:STAT?": said}
    with (
        serve(Peer(words(answers))) as peer,
        Scanner.open("scanner", peer.resource, quick("scpi-scanner"), WallTime()) as scanner,
        pytest.raises(ReplyError),
    ):
        scanner.closed()


def test_a_channel_that_the_scanner_does_not_have_is_refused(serve: Serve) -> None:
    relays = Relays()
    with (
        serve(Peer(relays)) as peer,
        Scanner.open("scanner", peer.resource, dialect(ONE_BY_ONE), WallTime()) as scanner,
    ):
        with pytest.raises(RefusedError, match="no channels 999"):
            scanner.close_only({101, 999})
        assert not relays.closed


def test_many_channels_go_in_short_commands(serve: Serve) -> None:
    relays = Relays()
    wanted = {100 * terminal + lead for terminal in range(1, 7) for lead in range(1, 9)}
    with (
        serve(Peer(relays)) as peer,
        Scanner.open("scanner", peer.resource, quick("scpi-scanner"), WallTime()) as scanner,
    ):
        scanner.close_only(wanted)
        assert scanner.closed() == wanted
    assert max(map(len, peer.received)) <= 100


def test_safe_off_opens_all_and_proves_it(serve: Serve) -> None:
    relays = Relays()
    with serve(Peer(relays)) as peer:
        relays.closed = {"101", "205"}
        with Scanner.open(
            "scanner", peer.resource, quick("scpi-scanner"), WallTime(), only_off=True
        ) as scanner:
            scanner.safe_off()
        assert not relays.closed
