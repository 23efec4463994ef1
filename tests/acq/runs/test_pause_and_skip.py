"""What a person tells a run from another terminal, over the run's own socket."""

from __future__ import annotations

import contextlib
import threading
import time
from pathlib import Path

import pytest

from acq.errors import RepeatAsked, Skipped
from acq.runs.control_socket import KEEP_EXCITATION, ControlSocket, Onlookers, Told, tell


def told_soon(path: Path, *orders: Told) -> threading.Thread:
    """Give orders one after the other from another thread."""

    def give() -> None:
        for order in orders:
            tell(path, order)
            time.sleep(0.1)

    thread = threading.Thread(target=give)
    thread.start()
    time.sleep(0.1)
    return thread


@pytest.mark.parametrize("kept", [True, False])
def test_a_pause_begins_with_the_excitation_on_only_where_that_was_chosen(
    tmp_path: Path, kept: bool
) -> None:
    path = tmp_path / "control"
    said: list[str] = []
    with contextlib.closing(ControlSocket(path)) as control:
        onlookers = Onlookers(control, said.append)
        pause = Told("pause", "Ann Example", KEEP_EXCITATION if kept else "")
        thread = told_soon(path, pause, Told("go-on", "Ann Example"))
        onlookers.rest_excited()  # returns at once, or at go-on
        while thread.is_alive():
            onlookers.between()
            time.sleep(0.01)
        thread.join()
    assert any("EXCITATION IS ON" in text for text in said) is kept


def test_skip_and_repeat_say_who_and_why(tmp_path: Path) -> None:
    path = tmp_path / "control"
    with contextlib.closing(ControlSocket(path)) as control:
        onlookers = Onlookers(control, lambda _: None)
        thread = told_soon(path, Told("skip", "Ann Example", "worn clip"))
        with pytest.raises(Skipped, match="skipped by Ann Example: worn clip"):
            onlookers.between()
        thread.join()
        thread = told_soon(path, Told("repeat", "Ann Example", "pair resistance, S+ S-", "touched"))
        with pytest.raises(RepeatAsked, match="repeated by Ann Example: touched"):
            onlookers.between()
        thread.join()
