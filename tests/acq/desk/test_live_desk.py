"""The page and the keys of a live display, on a real terminal line (a pty)."""

from __future__ import annotations

import os
import pty
import termios
from collections import deque
from collections.abc import Iterator
from io import StringIO
from typing import Any

import pytest
from rich.console import Console

from acq.analysis.weighing import Papers, Scale
from acq.desk.big_digits import ROWS, big
from acq.desk.live_desk import PlainDesk, ScreenDesk
from acq.desk.weighing_view import page, plain_line
from acq.runs.control_socket import Told
from tests.acq.analysis.test_weighing import RULES, ratio_of

PAPERS = Papers(capacity=500.0, unit="kg", rated_output=2e-3, zero=1e-5)


def picture(kilograms: float | None = 123.4, **more: Any) -> dict[str, Any]:
    scale = Scale(PAPERS, RULES, "mean 4")
    for k in range(40 if kilograms is not None else 0):
        scale.add(0.05 * k, ratio_of(kilograms or 0.0), f"{k}")
    head = {
        "kind": "live", "run": "SIM-1", "cell": "B-011902", "simulated": True,
        "utc": "2026-03-02T08:00:04.000+00:00", "at_ns": 10**9, "read_ns": 10**9,
        "signal": 0.0101, "limit": None, "excitation": 10.0, "rows": 40, "said": "", "orders": 0,
    }  # fmt: skip
    return {**head, **scale.picture(), **more}


def drawn(shown: dict[str, Any], typed: str | None = None, width: int = 90) -> str:
    console = Console(width=width, file=StringIO(), force_terminal=False)
    console.print(page(shown, width, typed))
    assert isinstance(console.file, StringIO)
    return console.file.getvalue()


@pytest.fixture
def screen() -> Iterator[tuple[ScreenDesk, int, deque[Told]]]:
    terminal, line = pty.openpty()
    heard: deque[Told] = deque()
    console = Console(width=90, height=24, file=StringIO(), force_terminal=True)
    desk = ScreenDesk(heard, "anna", console, keyboard=line)
    before = termios.tcgetattr(line)
    yield desk, terminal, heard
    desk.close()
    assert termios.tcgetattr(line) == before  # the terminal is as it was
    os.close(terminal)
    os.close(line)


def pressed(screen: tuple[ScreenDesk, int, deque[Told]], keys: str) -> list[str]:
    desk, terminal, _ = screen
    desk.show(picture())
    os.write(terminal, keys.encode())
    orders = []
    for _ in range(200):
        order = desk.order()
        if order is not None:
            assert (order.order, order.by) == ("answer", "anna")
            orders.append(order.text)
        elif orders:
            break
    return orders


@pytest.mark.parametrize(
    ("keys", "orders"),
    [
        ("t", ["tare"]),
        ("zplate\r", ["zero because plate"]),
        ("c100 kh\x7fg\n", ["calibrate 100 kg"]),
        ("zno\x1bq", ["quit"]),  # escape takes the typing back
        ("mtapped twice\r", ["mark tapped twice"]),
        ("u", ["unit t"]),
        ("f", ["filter none"]),
        ("TZr", ["tare off", "zero off", "reset"]),
    ],
)
def test_keys_become_orders(
    screen: tuple[ScreenDesk, int, deque[Told]], keys: str, orders: list[str]
) -> None:
    assert pressed(screen, keys) == orders


def test_the_page_says_everything_in_words() -> None:
    text = drawn(picture())
    for said in (
        "SIMULATED", "STABLE", "+10.10000 mV", "10.00000 V", "+0.50360 mV/V", "+24.680 %",
        "123.40 kg", "0.05 kg in 1 s", "mean 4", "settled", "peak, unfiltered", "z zero",
    ):  # fmt: skip
        assert said in text, said
    assert "█" in text
    assert "calibrate 100_" in drawn(picture(), typed="calibrate 100")
    frozen = drawn(picture(state="frozen", because="the same digits for 12 s"))
    assert "FROZEN: the same digits for 12 s" in frozen
    over = drawn(picture(None, limit="above", signal=None))
    assert "signal above its range" in over


@pytest.mark.parametrize("width", [60, 80, 120])
def test_digits_are_as_large_as_the_terminal_allows(width: int) -> None:
    rows = big("-1234.55", width)
    assert len(rows) == ROWS
    assert len({len(row) for row in rows}) == 1
    assert len(rows[0]) <= width
    if width == 120:
        assert len(rows[0]) >= 90


def test_piped_it_is_one_line_a_second_and_one_for_what_was_said() -> None:
    lines: list[str] = []
    heard: deque[Told] = deque([Told("answer", "b", "tare")])
    desk = PlainDesk(heard, 1.0, say=lines.append)
    for k in range(9):
        desk.show(picture(at_ns=k * 250_000_000, orders=k // 8, said="tare 3 kg" if k == 8 else ""))
    assert len(lines) == 3
    assert lines[2].endswith("tare 3 kg")
    assert "123.40 kg  +0.50360 mV/V  24.680 %RO" in lines[0]
    order = desk.order()
    assert order is not None
    assert order.text == "tare"
    assert desk.order() is None
    log = {"kind": "log", "utc": "2026-03-02T08:00:04", "rows": 500, "rate": 525.0, "gaps": 1,
           "signal": 1e-3, "excitation": 10.0, "temperature": 22.5}  # fmt: skip
    assert plain_line(log) == (
        "08:00:04  500 readings on the disk  525/s  1 gaps  signal +1.00000 mV"
        "  excitation 10.0000 V  22.50 degC"
    )
