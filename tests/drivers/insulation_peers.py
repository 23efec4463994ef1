"""Three insulation testers, written from the words of `drivers/dialects/README.md`.

Their capacitors charge and discharge by the clock they are given.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

CHARGE_S = 0.15
TAU_S = 0.05


class HighVoltage:
    """What the three have in common: a voltage that rises, stays and falls."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self.now = now
        self.setting = 50
        self.ohms = "1.250E+09"
        self.sign = ""
        self.outside_volts = 0.0
        self.stuck_on = False
        self._on_at: float | None = None
        self._off_at = -100.0

    def __call__(self, line: str) -> str | None:
        raise NotImplementedError

    @property
    def on(self) -> bool:
        return self._on_at is not None

    def volts(self) -> float:
        now = self.now()
        if self._on_at is not None:
            return 0.3 + self.setting * (1.0 - math.exp(-(now - self._on_at) / TAU_S))
        return 0.3 + self.setting * math.exp(-(now - self._off_at) / TAU_S)

    def go(self) -> None:
        self._on_at = self.now()

    def off(self) -> None:
        if self._on_at is not None and not self.stuck_on:
            self._on_at, self._off_at = None, self.now()

    def power_up(self) -> None:
        self._on_at, self._off_at, self.setting = None, -100.0, 50

    def state(self) -> str:
        if self._on_at is not None:
            return "TESTING" if self.now() - self._on_at >= CHARGE_S else "CHARGING"
        return "DISCHARGING" if self.volts() >= 5.0 else "READY"

    def seconds(self) -> float:
        if self._on_at is None:
            return 0.0
        return max(0.0, self.now() - self._on_at - CHARGE_S)


class StartPoll(HighVoltage):
    """ID?, VOLT n, START, STATE?, READ?, OUT?, STOP."""

    def __call__(self, line: str) -> str | None:
        line = line.rstrip("\r")
        word, _, argument = line.partition(" ")
        match word:
            case "":
                return None
            case "ID?":
                return "EXAMPLE,INSULATION,0,1.0"
            case "VOLT":
                return self._set(argument)
            case "VOLT?":
                return f"VOLT={self.setting}V"
            case "START":
                return self._start()
            case "STATE?":
                return self.state()
            case "OUT?":
                return f"OUT={self.volts():.1f}V"
            case "STOP":
                self.off()
                return "OK"
            case "READ?":
                return self._read()
        return "ERR 1"

    def _set(self, argument: str) -> str:
        if not argument.isdigit() or not 10 <= int(argument) <= 1000:
            return "ERR 2"
        if self.state() != "READY":
            return "ERR 4"
        self.setting = int(argument)
        return "OK"

    def _start(self) -> str:
        if self.state() != "READY":
            return "ERR 4"
        if self.outside_volts > 25.0:
            return "ERR 6"
        self.go()
        return "OK"

    def _read(self) -> str:
        if self.state() != "TESTING":
            return "ERR 5"
        reading = f"{self.sign}{self.ohms}OHM" if self.seconds() > 0.1 else "---"
        return f"IR={reading},V={self.volts():.1f}V,T={self.seconds():.1f}S"


class Request(HighVoltage):
    """Unnnn, U?, H0 (on), H1 (off), H?, V, R."""

    def __call__(self, line: str) -> str | None:
        if not line:
            return None
        if line == "U?":
            return f"U{self.setting:04d}"
        if line == "H?":
            return "H0" if self.on else "H1"
        if line == "V":
            return f"{self.volts():06.1f} V"
        if line == "R":
            if self.state() != "TESTING":
                return "---"
            if self.sign:
                tera = float(self.ohms) / 1e12
                return f"{self.sign} {tera:.3f} TOHM" if tera >= 1 else f"{self.sign} 1.000 MOHM"
            return f"{float(self.ohms) / 1e6:8.1f} MOHM"
        if line in ("H0", "H1"):
            self.go() if line == "H0" else self.off()
            return "OK"
        if line.startswith("U") and line[1:].isdigit() and 10 <= int(line[1:]) <= 1000:
            self.setting = int(line[1:])
            return "OK"
        return "ERR"


class Stream(HighVoltage):
    """Sends `line` by itself, several times a second; SET n, GO, OFF are not answered."""

    def __call__(self, line: str) -> str | None:
        word, _, argument = line.partition(" ")
        if word == "SET" and argument.isdigit() and 10 <= int(argument) <= 1000:
            if self.state() != "READY":
                return "ERR,4"
            self.setting = int(argument)
        elif word == "SET":
            return "ERR,2"
        elif word == "GO":
            self.go()
        elif word == "OFF":
            self.off()
        elif word:
            return "ERR,1"
        return None

    def line(self) -> str:
        state = {"READY": "IDLE", "CHARGING": "CHG", "TESTING": "TEST", "DISCHARGING": "DIS"}
        reading = "---"
        if self.state() == "TESTING" and self.seconds() > 0.05:
            tera = float(self.ohms) >= 1e12
            small = float(self.ohms) < 1e9
            prefix, scale = ("T", 1e12) if tera else ("M", 1e6) if small else ("G", 1e9)
            reading = f"{self.sign}{float(self.ohms) / scale:.3f}{prefix}"
        return (
            f"{state[self.state()]},{self.volts():06.1f}V,{reading},"
            f"{self.seconds():06.1f}S,{self.setting:04d}"
        )
