"""Never out of step: every bad manner of a wire ends in the right answer or in one clear error.

The second question always differs from the first: a test that asks the same thing twice passes
with the protection removed.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from drivers.conversation import Conversation
from drivers.dialect import Dialect
from drivers.errors import (
    InstrumentError,
    LinkLostError,
    NoReplyError,
    RefusedError,
    ReplyError,
)
from drivers.time import WallTime
from drivers.wire import Wire
from tests.drivers.lan_peers import on_hislip, on_vxi11
from tests.drivers.peers import Manners, Obey, Peer, Serve, on_pty, on_tcp, words
from tests.drivers.shapes import meter

ANSWERS = {"READ?": "+1.11100000E+00", "*IDN?": "EXAMPLE,METER,0,1", "RANG?": "10", "SET 1": None}


@contextmanager
def talking(peer: Peer, words_of: Dialect | None = None) -> Iterator[Conversation]:
    clock = WallTime()
    used = words_of or meter()
    wire = Wire("dmm", peer.resource, clock, line=used.serial.line())
    conversation = Conversation(wire, used, clock)
    try:
        yield conversation
    finally:
        conversation.close()


def peer(**manners: object) -> Peer:
    return Peer(words(ANSWERS), **manners)  # type: ignore[arg-type]


@pytest.fixture(
    params=[on_tcp, on_pty, on_vxi11, on_hislip], ids=["tcp", "serial", "vxi11", "hislip"]
)
def any_link(request: pytest.FixtureRequest) -> Serve:
    chosen: Serve = request.param
    return chosen


def test_questions_are_answered_in_order(any_link: Serve) -> None:
    with any_link(peer()) as served, talking(served) as talk:
        for _ in range(3):
            assert talk.ask("*IDN?").text == "EXAMPLE,METER,0,1"
            talk.tell("SET 1")
            answer = talk.ask("READ?")
            assert answer.text == "+1.11100000E+00"
            assert answer.started_ns <= answer.ended_ns
    assert served.received == ["*IDN?", "SET 1", "READ?"] * 3


def test_a_late_reply_is_never_taken_for_the_next_answer(any_link: Serve) -> None:
    with any_link(peer()) as served, talking(served) as talk:
        served.behave(Manners(delay_s=0.9, times=1))
        with pytest.raises(NoReplyError, match="nothing whole came in time"):
            talk.ask("READ?")
        assert talk.ask("*IDN?", reply_s=2.0).text == "EXAMPLE,METER,0,1"


def test_half_a_reply_is_never_a_number_and_its_rest_never_an_answer(serve: Serve) -> None:
    with serve(peer()) as served, talking(served) as talk:
        served.behave(Manners(chunk=8, chunk_gap_s=0.7, times=1))
        with pytest.raises(NoReplyError) as error:
            talk.ask("READ?")
        assert error.value.received == b"+1.11100"
        assert talk.ask("RANG?", reply_s=2.0).text == "10"


def test_any_chunking_is_fine(serve: Serve) -> None:
    with serve(peer()) as served, talking(served) as talk:
        served.behave(Manners(chunk=1, chunk_gap_s=0.002))
        assert talk.ask("READ?").text == "+1.11100000E+00"
        assert talk.ask("RANG?").text == "10"


def test_a_reply_that_comes_twice_at_once_is_an_error(serve: Serve) -> None:
    with serve(peer()) as served, talking(served) as talk:
        served.behave(Manners(transform=lambda data: data + data, times=1))
        with pytest.raises(ReplyError, match="bytes after the reply"):
            talk.ask("READ?")
        assert talk.ask("RANG?").text == "10"


def test_a_reply_that_comes_again_later_is_never_the_next_answer(serve: Serve) -> None:
    with serve(peer()) as served, talking(served) as talk:
        served.behave(Manners(again_after_s=0.1, times=1))
        assert talk.ask("READ?").text == "+1.11100000E+00"
        time.sleep(0.3)
        generation = talk.generation
        assert talk.ask("RANG?").text == "10"
        assert talk.generation == generation + 1


def test_what_must_hang_together_says_so_when_the_link_was_reopened(serve: Serve) -> None:
    with serve(peer()) as served, talking(served) as talk:
        served.behave(Manners(again_after_s=0.05, times=1))

        def two_questions() -> None:
            with talk.unbroken():
                talk.ask("READ?")
                time.sleep(0.3)
                talk.ask("RANG?")

        with pytest.raises(RefusedError, match="opened again in the middle"):
            two_questions()


def said_or_error(talk: Conversation) -> str:
    try:
        return talk.ask("READ?").text
    except InstrumentError:
        return "error"


def test_noise_from_an_instrument_that_never_stops_talking_is_no_number(serve: Serve) -> None:
    """A whole line that falls between question and answer looks like one: here only its text is
    passed on, and the reader's full-match pattern refuses it (see test_reply).
    """
    with serve(peer()) as served, talking(served) as talk:
        stop = threading.Event()

        def chatter() -> None:
            while not stop.wait(0.01):
                served.push(b"noise\n")

        thread = threading.Thread(target=chatter)
        thread.start()
        time.sleep(0.1)
        said = [said_or_error(talk) for _ in range(4)]
        stop.set()
        thread.join()
    assert set(said) <= {"+1.11100000E+00", "error", "noise"}


@pytest.mark.parametrize("then", ["close", "reset"])
def test_a_hang_up_is_told_at_once_and_the_next_question_reopens(then: str) -> None:
    with on_tcp(peer()) as served, talking(served, meter("reply_s = 20.0")) as talk:
        served.behave(Manners(cut_after=4, then=then, times=1))
        started = time.monotonic()
        with pytest.raises(LinkLostError):
            talk.ask("READ?")
        assert time.monotonic() - started < 5.0
        assert talk.ask("RANG?").text == "10"


def test_a_hang_up_between_questions_is_told_before_anything_is_set() -> None:
    with on_tcp(peer()) as served, talking(served) as talk:
        served.behave(Manners(then="close", times=1))
        assert talk.ask("READ?").text == "+1.11100000E+00"
        time.sleep(0.1)
        with pytest.raises(LinkLostError):
            talk.tell("SET 1")
        talk.tell("SET 1")


def test_the_instrument_is_greeted_again_after_every_reopening(serve: Serve) -> None:
    with serve(peer()) as served, talking(served) as talk:
        greeted = []
        talk.greet = lambda: greeted.append(talk.ask("*IDN?").text)
        served.behave(Manners(cut_after=3, times=1))
        with pytest.raises(NoReplyError):
            talk.ask("READ?")
        assert not greeted
        assert talk.ask("RANG?").text == "10"
        assert greeted == ["EXAMPLE,METER,0,1"]
        assert served.received == ["READ?", "*IDN?", "RANG?"]


def test_a_greeting_that_fails_leaves_the_link_in_doubt(serve: Serve) -> None:
    with serve(peer()) as served, talking(served) as talk:

        def greet() -> None:
            talk.ask("WHO?")

        talk.greet = greet
        with pytest.raises(NoReplyError):
            talk.begin()
        assert talk.in_doubt
        with pytest.raises(NoReplyError):
            talk.ask("READ?")
        assert "READ?" not in served.received


def test_a_banner_at_opening_is_no_answer(serve: Serve) -> None:
    with serve(peer(greeting=b"METER READY\n")) as served, talking(served) as talk:
        who = []
        talk.greet = lambda: who.append(talk.ask("*IDN?").text)
        time.sleep(0.1)
        talk.begin()
        assert who == ["EXAMPLE,METER,0,1"]


def test_an_echo_is_dropped_only_when_it_is_what_was_sent(serve: Serve) -> None:
    with serve(peer(echo=True)) as served, talking(served, meter("echo = true")) as talk:
        assert talk.ask("READ?").text == "+1.11100000E+00"
        talk.tell("SET 1")
        assert talk.ask("RANG?").text == "10"
    with (
        serve(peer()) as served,
        talking(served, meter("echo = true")) as talk,
        pytest.raises(ReplyError, match="the echo should have been 'READ"),
    ):
        talk.ask("READ?")


def test_an_echo_that_was_not_told_about_is_an_error(serve: Serve) -> None:
    with serve(peer(echo=True)) as served, talking(served) as talk:
        with pytest.raises(ReplyError, match=r"link\.echo = true|bytes after the reply"):
            talk.ask("*IDN?")
        said = {said_or_error(talk) for _ in range(3)}
    assert said <= {"+1.11100000E+00", "error"}


def test_a_prompt_is_dropped(serve: Serve) -> None:
    spoken = meter('prompt = ">"\nreply_end = "\\r\\n"')
    with serve(peer(reply_end=b"\r\n>")) as served, talking(served, spoken) as talk:
        assert talk.ask("READ?").text == "+1.11100000E+00"
        time.sleep(0.05)
        assert talk.ask("RANG?").text == "10"
        assert talk.generation == 0


@pytest.mark.parametrize(
    ("spoken", "awaited", "told"),
    [(b"\r", r"\n", "ends in CR"), (b"\n", r"\r\n", "ends in LF"), (b"", r"\n", "nothing whole")],
)
def test_a_wrong_line_end_is_named_in_the_error(
    serve: Serve, spoken: bytes, awaited: str, told: str
) -> None:
    with (
        serve(peer(reply_end=spoken)) as served,
        talking(served, meter(f'reply_end = "{awaited}"')) as talk,
        pytest.raises(NoReplyError, match=told),
    ):
        talk.ask("READ?")


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\n\r"])
def test_every_line_end_is_spoken_in_each_direction(serve: Serve, end: bytes) -> None:
    spoken = end.decode().replace("\r", r"\r").replace("\n", r"\n")
    link = f'command_end = "{spoken}"\nreply_end = "{spoken}"'
    with (
        serve(peer(line_end=end, reply_end=end)) as served,
        talking(served, meter(link)) as talk,
    ):
        assert talk.ask("READ?").text == "+1.11100000E+00"
        assert talk.ask("RANG?").text == "10"
        assert served.received == ["READ?", "RANG?"]


def test_a_byte_above_7f_does_not_stop_the_conversation(serve: Serve) -> None:
    with serve(Peer(words({"READ?": "23.1 \xb0C"}))) as served, talking(served) as talk:
        assert talk.ask("READ?").text == "23.1 \xb0C"


def test_a_silent_instrument_is_told_apart_by_what_was_sent(any_link: Serve) -> None:
    with any_link(peer()) as served, talking(served) as talk:
        with pytest.raises(NoReplyError) as error:
            talk.ask("WHAT?")
        assert error.value.sent == b"WHAT?\n"
        assert error.value.received == b""
        assert "no other program" in str(error.value)
        assert error.value.role == "dmm"
        assert error.value.resource == served.resource


def test_rests_are_kept_between_commands_and_before_reading(serve: Serve) -> None:
    spoken = meter(more="[pace]\nbetween_commands_s = 0.15\nwrite_to_read_s = 0.1\n")
    with serve(peer()) as served, talking(served, spoken) as talk:
        times = []
        for _ in range(3):
            talk.ask("READ?")
            times.append(time.monotonic())
        assert times[2] - times[0] >= 2 * 0.25 * 0.98


def test_acknowledgements_are_read_and_refusals_are_told(serve: Serve) -> None:
    answers = {"SET 1": "OK", "SET 9": "ERR 2", "SET 5": "MAYBE", "READ?": "ERR 5"}
    spoken = meter(
        more="""
acknowledgement = "OK"
[refusal]
reply = 'ERR (?P<code>[0-9]+)'
meanings = { 2 = "value not allowed" }
""".replace("acknowledgement", "[acknowledgement]\npattern").replace("pattern =", "pattern =")
    )
    with serve(Peer(words(answers))) as served, talking(served, spoken) as talk:
        talk.tell("SET 1")
        with pytest.raises(RefusedError, match="ERR 2: value not allowed"):
            talk.tell("SET 9")
        with pytest.raises(ReplyError, match="not acknowledged"):
            talk.tell("SET 5")
        with pytest.raises(RefusedError, match="ERR 5"):
            talk.ask("READ?")
        with pytest.raises(NoReplyError):
            talk.tell("SET 7")


def test_the_error_queue_is_drained_and_never_endlessly(serve: Serve) -> None:
    queue = ['-113,"Undefined header;VOLT 5"', '-222,"Data out of range"']

    def obey(line: str) -> str | None:
        if line == "SYST:ERR?":
            return queue.pop(0) if queue else '0,"No error"'
        return None

    with serve(Peer(obey)) as served, talking(served, meter(more="[errors]\n")) as talk:
        with pytest.raises(RefusedError) as error:
            talk.check_errors(["VOLT 5"])
        assert "-113 Undefined header;VOLT 5; -222 Data out of range" in str(error.value)
        assert talk.errors() == ()

    endless: Obey = words({"SYST:ERR?": '-350,"Queue overflow"'})
    with serve(Peer(endless)) as served, talking(served, meter(more="[errors]\nmost = 20")) as talk:
        assert [entry.code for entry in talk.errors()] == [-350] * 20


@pytest.mark.parametrize(
    "said", ['0,"No error"', '+0,"No error"', "0, No error", "0", '0,"No error;nothing"']
)
def test_every_way_to_say_no_error_is_none(serve: Serve, said: str) -> None:
    with (
        serve(Peer(words({"SYST:ERR?": said}))) as served,
        talking(served, meter(more="[errors]\n")) as talk,
    ):
        assert talk.errors() == ()


def test_an_error_register_is_read_by_its_bits(serve: Serve) -> None:
    # IEEE 488.2-1992, 11.5.1.1: bit 5 command error, bit 4 execution error, bit 7 power on
    errors = '[errors]\nask = "*ESR?"\nreply = "(?P<code>[0-9]+)"\nkind = "register"\nmask = 60'
    said = iter(["128", "160"])
    with (
        serve(Peer(lambda _line: next(said))) as served,
        talking(served, meter(more=errors)) as talk,
    ):
        assert talk.errors() == ()
        assert [entry.code for entry in talk.errors()] == [32]


def test_a_reply_that_is_no_error_entry_leaves_the_link_in_doubt(serve: Serve) -> None:
    answers = {"SYST:ERR?": "METER"}
    with (
        serve(Peer(words(answers))) as served,
        talking(served, meter(more="[errors]\n")) as talk,
    ):
        with pytest.raises(ReplyError, match="does not match"):
            talk.errors()
        assert talk.in_doubt


def test_two_threads_never_get_each_others_replies(serve: Serve) -> None:
    wrong: list[str] = []
    with serve(peer()) as served, talking(served, meter("reply_s = 5.0")) as talk:

        def ask(question: str) -> None:
            for _ in range(50):
                text = talk.ask(question).text
                if text != ANSWERS[question]:
                    wrong.append(text)

        threads = [threading.Thread(target=ask, args=(q,)) for q in ("READ?", "*IDN?", "RANG?")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []


def test_half_a_command_of_a_killed_process_is_ended_first(serve: Serve) -> None:
    with serve(peer()) as served:
        wire = Wire("dmm", served.resource, WallTime())
        wire.send(b"OUT", WallTime().now_ns() + 10**9)
        time.sleep(0.05)
        wire.close()
        with talking(served) as talk:
            talk.blurt(["OUTP OFF"], 0.05)
            assert talk.ask("RANG?").text == "10"
    assert served.received[-2:] == ["OUTP OFF", "RANG?"]


def test_a_block_is_read_by_its_length_on_every_link(any_link: Serve) -> None:
    content = bytes(range(256)) * 40
    block = b"#5%05d" % len(content) + content
    answers = {**ANSWERS, "DATA?": block}
    with any_link(Peer(words(answers))) as served, talking(served) as talk:
        assert bytes(talk.ask_block("DATA?")) == content
        assert talk.ask("RANG?").text == "10"


def test_a_block_that_stops_in_the_middle_is_no_data(serve: Serve) -> None:
    answers = {**ANSWERS, "DATA?": b"#3100" + b"x" * 100}
    with serve(Peer(words(answers))) as served, talking(served) as talk:
        served.behave(Manners(cut_after=50, times=1))
        with pytest.raises(NoReplyError):
            talk.ask_block("DATA?")
        assert talk.ask("RANG?").text == "10"


def test_an_indefinite_block_needs_a_link_that_ends_messages() -> None:
    answers = {"DATA?": b"#0" + b"a\nb\n" * 5}
    for link in (on_vxi11, on_hislip):
        with link(Peer(words(answers))) as served, talking(served) as talk:
            assert bytes(talk.ask_block("DATA?")) == b"a\nb\n" * 5
    with (
        on_tcp(Peer(words(answers))) as served,
        talking(served) as talk,
        pytest.raises(NoReplyError),
    ):
        talk.ask_block("DATA?")
