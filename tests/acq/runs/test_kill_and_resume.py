"""A killed run: everything off and proven off, nothing acknowledged lost, nothing redone."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from acq.errors import BenchFailure, WrongInput
from acq.records.records import Records
from acq.runs.journal import Line, read_journal
from tests.bench_watch import BenchWatch
from tests.campaigns.kills import guardians
from tests.conducting import Trial, kill_at_line

OFF_WITHIN_S = 2.0
HANGING_OFF_WITHIN_S = 30.0  # the first is waited for some seconds before the second acts


@pytest.fixture
def trial(tmp_path: Path) -> Iterator[Trial]:
    trial = Trial.new(tmp_path / "run")
    yield trial
    with BenchWatch(trial.control) as watch:
        watch.end()


@pytest.fixture
def watch(trial: Trial) -> Iterator[BenchWatch]:
    with BenchWatch(trial.control) as watch:
        yield watch


def lines_of(trial: Trial) -> list[Line]:
    return read_journal(trial.folder.journal)[0]


def closings(trial: Trial) -> Counter[str]:
    return Counter(
        str(line.content["check"])
        for line in lines_of(trial)
        if line.what == "check-closed" and not line.content["needs"]["powered"]
    )


def go_on(stopped: Sequence[int]) -> None:
    for process in stopped:
        os.kill(process, signal.SIGCONT)


def at_first(what: str, **content: object) -> Callable[[Line], int]:
    """Kill at the first line of this kind."""

    def strike(line: Line) -> int:
        fits = line.what == what and all(line.content[key] == content[key] for key in content)
        return signal.SIGKILL if fits else 0

    return strike


@pytest.mark.parametrize(
    "moment",
    [
        kill_at_line(1),
        kill_at_line(5),
        at_first("waiting", seconds=2.0),  # the test voltage is on
        at_first("state", state="excitation normal at 10 V"),
        at_first("check-opened", check="signal, reversed"),
        at_first("check-closed", check="zero balance"),
    ],
    ids=["opened", "ohms", "test voltage", "excitation", "reversed", "last check"],
)
def test_a_run_killed_anywhere_is_off_at_once_and_goes_on_where_it_was(
    trial: Trial, watch: BenchWatch, moment: Callable[[Line], int]
) -> None:
    assert trial.in_child(moment) == -signal.SIGKILL
    watch.seconds_until_off(OFF_WITHIN_S)
    acknowledged = trial.folder.journal.read_bytes()
    assert trial.in_child() == 0
    assert trial.folder.journal.read_bytes().startswith(acknowledged)
    assert set(closings(trial).values()) == {1}
    with Records.open(f"sqlite:///{trial.folder.path / 'records.sqlite'}", simulated=True) as kept:
        assert kept.verify().problems == []
        assert kept.run(trial.folder.number or "run").closing.state == "finished"


def test_a_run_taken_up_while_its_guardian_still_switches_off_waits_for_it(
    trial: Trial, tmp_path: Path
) -> None:
    held = tmp_path / "guardians"

    def strike(line: Line) -> int:
        if line.what != "check-opened" or line.content["check"] != "signal, reversed":
            return 0
        held.write_text(" ".join(map(str, guardians())))
        for guardian in guardians():
            os.kill(guardian, signal.SIGSTOP)  # a computer that is busy just now
        return signal.SIGKILL

    assert trial.in_child(strike) == -signal.SIGKILL
    stopped = [int(guardian) for guardian in held.read_text().split()]
    later = threading.Timer(1.0, lambda: go_on(stopped))
    later.start()
    assert trial.in_child() == 0  # at once
    later.join()
    resumed = next(line for line in lines_of(trial) if line.what == "resumed")
    # nothing of what the guardian did is missing from the story
    off = [[role, True] for role in ("insulation", "supply", "scanner")]
    assert resumed.content["guardian"][-1:] == [off]


def test_a_finished_run_is_not_taken_up_again(trial: Trial) -> None:
    assert trial.in_child() == 0
    with pytest.raises(WrongInput, match="is finished"):
        trial.conduct()


def test_a_signal_measured_before_the_excitation_went_off_is_measured_again(trial: Trial) -> None:
    trial.in_child(at_first("check-opened", check="signal, reversed"))
    assert trial.in_child() == 0
    again = [line for line in lines_of(trial) if line.what == "measured-again"]
    assert [line.content["check"] for line in again] == [
        "warm-up",
        "supply current",
        "signal, normal",
    ]


def test_ctrl_c_ten_times_switches_off_and_closes_the_run_as_interrupted(
    trial: Trial, watch: BenchWatch
) -> None:
    def storm(line: Line) -> int:
        return signal.SIGINT if line.number >= 90 else 0

    assert trial.in_child(storm) == 130
    assert watch.energised() == []
    last = lines_of(trial)[-1].content
    assert (last["what"], last["state"], last["exit_code"]) == ("closed", "interrupted", 130)
    assert trial.in_child() == 0


@pytest.mark.parametrize("which", [slice(0, 1), slice(1, 2)], ids=["first", "second"])
def test_a_run_killed_together_with_one_guardian_is_switched_off_by_the_other(
    trial: Trial, watch: BenchWatch, which: slice
) -> None:
    def strike(line: Line) -> int:
        if line.what != "state" or line.content["state"] != "excitation normal at 10 V":
            return 0
        assert len(guardians()) == 2
        for guardian in guardians()[which]:
            os.kill(guardian, signal.SIGKILL)
        return signal.SIGKILL

    assert trial.in_child(strike) == -signal.SIGKILL
    watch.seconds_until_off(OFF_WITHIN_S)


@pytest.mark.parametrize("which", [slice(0, 1), slice(1, 2), slice(0, 2)], ids=["1", "2", "both"])
def test_a_run_whose_guardian_is_killed_stops_and_switches_off(
    trial: Trial, watch: BenchWatch, which: slice
) -> None:
    def strike(line: Line) -> int:
        if line.number == 95:
            for guardian in guardians()[which]:
                os.kill(guardian, signal.SIGKILL)
        return 0

    assert trial.in_child(strike) == 3
    assert watch.energised() == []
    assert "guardian has died" in lines_of(trial)[-1].content["because"]


@pytest.mark.parametrize("which", [slice(0, 1), slice(1, 2)], ids=["first", "second"])
def test_a_guardian_that_hangs_when_the_run_is_killed_keeps_nothing_on(
    trial: Trial, watch: BenchWatch, which: slice
) -> None:
    def strike(line: Line) -> int:
        if line.what != "state" or line.content["state"] != "excitation normal at 10 V":
            return 0
        for guardian in guardians()[which]:
            os.kill(guardian, signal.SIGSTOP)  # it hangs, and may hold the links
        return signal.SIGKILL

    assert trial.in_child(strike) == -signal.SIGKILL
    watch.seconds_until_off(HANGING_OFF_WITHIN_S)
    for _ in range(20):  # and the hanging one does not keep the bench's lock
        if (code := trial.in_child()) != 3:
            break
        time.sleep(1.0)
    assert code == 0


def test_a_link_that_goes_away_stops_the_run_with_everything_else_off(
    trial: Trial, watch: BenchWatch
) -> None:
    def pull(line: Line) -> int:
        if line.number == 100:
            watch.hand("unplug", wire="dmm")
        return 0

    assert trial.in_child(pull) == 3
    watch.seconds_until_off(OFF_WITHIN_S)
    because = lines_of(trial)[-1].content["because"]
    assert "dmm" in because
    watch.hand("plug", wire="dmm")
    assert trial.in_child() == 0


def test_a_script_that_differs_is_refused_with_its_line(trial: Trial) -> None:
    trial.in_child(kill_at_line(60))
    raw = trial.folder.journal.read_bytes()
    changed = _as_if_written_with(raw, b'"plc":10.0', b'"plc":2.0', only=4)
    trial.folder.journal.write_bytes(changed)
    (trial.folder.path / "records.sqlite").unlink()  # they hold what was really measured
    assert trial.in_child() == 2
    last = lines_of(trial)[-1].content
    assert "script differs at line 3 of the journal" in last["because"]


def test_a_journal_that_was_changed_is_refused(trial: Trial) -> None:
    trial.in_child(kill_at_line(60))
    raw = trial.folder.journal.read_bytes()
    trial.folder.journal.write_bytes(raw.replace(b'"plc":10.0', b'"plc":2.0', 1))
    with pytest.raises(WrongInput, match="does not follow the line before it"):
        trial.conduct()


def _as_if_written_with(raw: bytes, old: bytes, new: bytes, only: int) -> bytes:
    """Return the journal as another script would have written it: changed, and chained anew."""
    import hashlib
    import json

    from acq.runs.journal import NOTHING_BEFORE, encode

    head, lines = NOTHING_BEFORE, []
    for number, line in enumerate(raw.splitlines(keepends=True), start=1):
        text = line.replace(old, new) if number <= only else line
        content = json.loads(text) | {"prev": head}
        lines.append(encode(content) + b"\n")
        head = hashlib.sha256(lines[-1]).hexdigest()
    return b"".join(lines)


def test_a_run_is_not_taken_up_with_an_instrument_that_has_become_overdue(
    trial: Trial,
) -> None:
    assert trial.in_child(kill_at_line(60)) == -signal.SIGKILL
    kept = trial.folder.journal.read_bytes()
    bench = trial.folder.bench_file
    text = bench.read_text(encoding="utf-8")
    bench.write_text(text.replace("due = 2026-11-02", "due = 2026-03-01", 1), encoding="utf-8")
    with pytest.raises(BenchFailure, match="overdue since this run began: dmm since 2026-03-01"):
        trial.conduct(lambda _: None)
    assert trial.folder.journal.read_bytes() == kept
    bench.write_text(text, encoding="utf-8")
    assert trial.in_child() == 0
