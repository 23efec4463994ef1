"""Small instruments for tests, written from manuals' words: settings, queries, an error queue.

They share nothing with the drivers. What a command means is spelt out here, long way round.
"""

from __future__ import annotations

import re
from collections.abc import Callable


class Scpi:
    """Settings by header, answers by query; an unknown header is silence and an error entry."""

    def __init__(self, identification: str = "EXAMPLE,INSTRUMENT,0,1.0") -> None:
        self.identification = identification
        self.settings: dict[str, str] = {}
        self.first: dict[str, str] = {}
        self.answers: dict[str, str | Callable[[], str | None]] = {}
        self.actions: dict[str, Callable[[str], None]] = {}
        self.errors: list[str] = []
        self.no_error = '0,"No error"'
        self.power_up()

    def power_up(self) -> None:
        """Settings as they are after the mains switch."""
        self.errors = []
        self.settings = dict(self.first)

    def __call__(self, line: str) -> str | None:
        if not line.strip():
            return None
        if line == "*IDN?":
            return self.identification
        if line == "*CLS":
            self.errors.clear()
            return None
        if line == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else self.no_error
        header, _, argument = line.partition(" ")
        if header.endswith("?"):
            return self._query(line, header)
        self._command(header, argument)
        return None

    def _query(self, line: str, header: str) -> str | None:
        found = self.answers.get(line, self.answers.get(header))
        if found is not None:
            return found if isinstance(found, str) else found()
        if header[:-1] in self.settings:
            return self.settings[header[:-1]]
        self.errors.append(f'-113,"Undefined header;{line}"')
        return None

    def _command(self, header: str, argument: str) -> None:
        word = {"ON": "1", "OFF": "0"}.get(argument, argument)
        if header in self.actions:
            try:
                self.actions[header](argument)
            except ValueError:
                self.errors.append('-104,"Data type error"')
        elif header not in self.settings:
            self.errors.append(f'-113,"Undefined header;{header}"')
        elif _is_number(self.settings[header]) and not _is_number(word):
            self.errors.append('-104,"Data type error"')
        else:
            self.settings[header] = word


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text) is not None


class Meter(Scpi):
    """Reads a different number every time, so that an answer of before shows."""

    RANGES: dict[str, tuple[float, ...]] = {  # noqa: RUF012
        "VOLT:DC": (0.1, 1.0, 10.0, 100.0),
        "FRES": (100.0, 1e3, 1e4),
        "RES": (100.0, 1e3, 1e4),
    }

    def __init__(self) -> None:
        super().__init__("EXAMPLE,METER,0417,1.0")
        self.reading: str | None = None
        self.count = 0
        self.last = ""
        for function in self.RANGES:
            self.actions[f"CONF:{function}"] = self._configurer(function)
            self.actions[f"{function}:RANG"] = self._ranger(function)
            for name, value in (
                ("NPLC", "1"),
                ("ZERO:AUTO", "1"),
                ("OCOM", "0"),
                ("RANG:AUTO", "1"),
            ):
                self.first[f"{function}:{name}"] = value
        self.first |= {"INP:IMP:AUTO": "0", "SYST:AZER": "0", "VOLT:DC:IMP:AUTO": "0"}
        self.actions["FUNC"] = self._function
        self.actions["INIT"] = lambda _: self._take()
        self.answers = {
            "FUNC?": lambda: f'"{self.function.removesuffix(":DC")}"',
            "READ?": self._read,
            "FETC?": self._fetch,
        }
        for function in self.RANGES:
            self.answers[f"{function}:RANG?"] = self._say_range(function)
        self.function = "VOLT:DC"
        self.ranges: dict[str, float] = {}
        self.power_up()

    def power_up(self) -> None:
        super().power_up()
        self.function = "VOLT:DC"
        self.ranges = {name: values[-1] for name, values in self.RANGES.items()}
        self.last = ""

    def _say_range(self, function: str) -> Callable[[], str]:
        return lambda: f"{self.ranges[function]:+.6E}"

    def _configurer(self, function: str) -> Callable[[str], None]:
        def configure(argument: str) -> None:
            # SCPI-1999 volume 2, 3.4 (from memory): a changed configuration makes data stale
            self.function, self.last = function, ""
            self._set_range(function, argument or "10")
            for name, value in (("NPLC", "10"), ("ZERO:AUTO", "0"), ("OCOM", "0")):
                self.settings[f"{function}:{name}"] = value

        return configure

    def _ranger(self, function: str) -> Callable[[str], None]:
        return lambda argument: self._set_range(function, argument)

    def _set_range(self, function: str, argument: str) -> None:
        wanted = float(argument)
        fitting = [each for each in self.RANGES[function] if each >= wanted]
        if fitting:
            self.ranges[function] = fitting[0]
        else:
            self.errors.append('-222,"Data out of range"')

    def _function(self, argument: str) -> None:
        name = argument.strip("\"'")
        if not argument.startswith(("'", '"')):
            self.errors.append('-104,"Data type error"')
        elif name in self.RANGES:
            self.function, self.last = name, ""
        else:
            self.errors.append('-224,"Illegal parameter value"')

    def _take(self) -> None:
        self.count += 1
        self.last = self.reading or f"{self.value(self.count):+.8E}"

    def value(self, count: int) -> float:
        """Return the true value of the n-th reading in the present function."""
        scale = {"VOLT:DC": 1e-3, "FRES": 1.0, "RES": 1.0}[self.function]
        return (350.0 + count) * scale

    def _read(self) -> str:
        self._take()
        return self.last

    def _fetch(self) -> str | None:
        if not self.last:
            self.errors.append('-230,"Data corrupt or stale"')
        return self.last or None


class PowerSupply(Scpi):
    """One output, a current limit that works into a load, a protection that trips."""

    def __init__(self, load_ohms: float = 350.0) -> None:
        super().__init__("EXAMPLE,SUPPLY,7,1.0")
        self.load_ohms = load_ohms
        self.on = False
        self.tripped = False
        self.stuck_on = False
        self.first = {"VOLT": "0", "CURR": "0.1", "VOLT:PROT": "30", "VOLT:SENS:SOUR": "INT",
                      "VOLT:PROT:STAT": "0", "SYST:RSEN": "0"}  # fmt: skip
        self.actions = {"OUTP": self._switch, "VOLT": self._set_volts}
        self.answers = {
            "OUTP?": lambda: "1" if self.on else "0",
            "VOLT:PROT:TRIP?": lambda: "1" if self.tripped else "0",
            "MEAS:VOLT?": lambda: f"{self.volts():+.5E}",
            "MEAS:CURR?": lambda: f"{self.volts() / self.load_ohms:+.5E}",
        }
        self.power_up()

    def power_up(self) -> None:
        super().power_up()
        self.on = self.tripped = False

    def volts(self) -> float:
        if not self.on:
            return 0.004
        limit = float(self.settings["CURR"]) * self.load_ohms
        return min(float(self.settings["VOLT"]), limit)

    def _set_volts(self, argument: str) -> None:
        if float(argument) > 30.9:
            self.errors.append('-222,"Data out of range"')
            return
        self.settings["VOLT"] = argument
        if float(argument) > float(self.settings["VOLT:PROT"]):
            self.on, self.tripped = False, True

    def _switch(self, argument: str) -> None:
        if argument not in ("ON", "OFF"):
            self.errors.append('-224,"Illegal parameter value"')
        elif argument == "ON" and self.tripped:
            self.errors.append('-221,"Settings conflict"')
        elif not (self.stuck_on and argument == "OFF"):
            self.on = argument == "ON"


class Relays:
    """A scanner; channel lists without spaces, read back by list."""

    def __init__(self, pattern: str = r"\d+") -> None:
        self.closed: set[str] = set()
        self.stuck: set[str] = set()
        self.pattern = pattern
        self.errors: list[str] = []
        self.most_closed: set[str] = set()

    def power_up(self) -> None:
        self.closed.clear()
        self.errors.clear()

    def __call__(self, line: str) -> str | None:
        if line == "*IDN?":
            return "EXAMPLE,SCANNER,0,1.0"
        if line == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if line == "ROUT:CLOS:STAT?":
            return f"(@{','.join(sorted(self.closed))})"
        if line in ("ROUT:OPEN:ALL", "ROUT:OPEN ALL"):
            self.closed &= self.stuck
        elif match := re.fullmatch(r"ROUT:(CLOS|OPEN) \(@([^ ]*)\)", line):
            self._move(match[1], match[2].split(","))
        elif match := re.fullmatch(r"ROUT:CLOS\? \(@([^ ]*)\)", line):
            return ",".join("1" if name in self.closed else "0" for name in match[1].split(","))
        elif line not in ("", "*CLS"):
            self.errors.append('-170,"Expression error"')
        return None

    def _move(self, verb: str, names: list[str]) -> None:
        if not all(re.fullmatch(self.pattern, name) for name in names):
            self.errors.append('-114,"Header suffix out of range"')
        elif verb == "CLOS":
            self.closed |= set(names)
        else:
            self.closed -= set(names) - self.stuck
