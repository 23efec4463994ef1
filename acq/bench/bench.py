"""The opened bench: instruments by role, what is joined to what, and what may be switched on.

Everything that can hurt a cell, an instrument or a hand goes through here, so that the order
stands in one place: ohms and insulation only with the supply proven off and disconnected,
insulation only on leads that nothing else reaches, excitation only with a current limit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TypedDict

from acq.bench.bench_file import BenchFile
from acq.bench.connections import NOTHING, Connection
from acq.bench.guarding import Guard
from acq.bench.instruments import Instrument, open_instrument
from acq.bench.lock import BenchLock
from acq.bench.routing import Clip, Router
from acq.bench.stepped_time import SteppedTime
from acq.errors import BenchFailure
from acq.readings.reading import Reading
from drivers.dmm import Dmm
from drivers.errors import InstrumentError, ReplyError
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.supply import Supply
from drivers.time import Time
from drivers.values import Value

_OFF_VOLTS = 0.05  # below this nothing on a bridge is hurt or falsified: 0.15 mA through 350 ohm
_FALLING_S = 0.25  # between two looks at an output that runs down


class _MeterSetting(TypedDict):
    range_: float | None
    plc: float
    offset_compensation: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One reading that is wanted."""

    quantity: str
    role: str = "dmm"
    range_: float | None = None
    plc: float | None = None
    offset_compensation: bool = False  # wanted where the meter has it; the reading tells


@dataclass(frozen=True, slots=True, kw_only=True)
class Excitation:
    """What the supply shall do: volts at the sense points, with its two protections."""

    volts: float
    current_limit: float
    protection_volts: float
    remote_sense: bool


class Bench:
    """All instruments of one bench, opened for one run."""

    def __init__(
        self, file: BenchFile, folder: Path, time: Time, roles: Iterable[str], clip: Clip
    ) -> None:
        """Lock the bench, start the guardian, open and identify every role, switch all off.

        Raises BenchFailure or InstrumentError; nothing stays open then.
        """
        self.file, self.folder, self.time = file, folder, time
        self._instruments: dict[str, Instrument] = {}
        self.identities: dict[str, str] = {}
        self._guard: Guard | None = None
        self._excited: Excitation | None = None
        self._touched = False  # whether this run has switched or joined anything
        self._lock = BenchLock(_lock_name(file))
        try:
            self._guard = Guard(folder, self._lock)
            for role in roles:
                self._open(role)
            self.router = Router(self._relays(), file.connections.channels(), clip)
            self.make_safe()
        except BaseException as error:
            try:
                self.close()
            except (BenchFailure, InstrumentError) as another:
                error.add_note(str(another))  # the first failure is the one to tell
            raise

    def __enter__(self) -> Bench:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # --- who and when

    def check(self) -> None:
        """Raises BenchFailure when the run must not go on (its guardian has died)."""
        if self._guard is not None:
            self._guard.check()

    def utc(self) -> datetime:
        """The date and time, UTC; a simulated bench has its scenario's."""
        return self.time.utc() if isinstance(self.time, SteppedTime) else datetime.now(UTC)

    # --- joins

    def connect(self, connection: Connection) -> None:
        """Make exactly this connection; ohms and insulation never meet a supply that is on."""
        if connection.joins == self.router.present.joins:
            return
        self._refuse_mixing(connection)
        self._touched = True
        if self._excited is not None and not _supply_joins(connection) >= _supply_joins(
            self.router.present
        ):
            raise BenchFailure("the supply is on: its leads are not taken off while it is")
        self.router.make(connection)
        self.router.prove()

    def _refuse_mixing(self, connection: Connection) -> None:
        tester = "insulation" in connection.roles
        if tester and connection.roles != {"insulation"}:
            raise BenchFailure(
                f"{connection.name}: the insulation tester shares no lead with another instrument"
            )
        ohms = any("dmm sense" in join.terminal for join in connection.joins)
        if (tester or ohms) and self._excited is not None:
            raise BenchFailure(f"{connection.name}: the supply is on")

    # --- readings

    def read(self, request: Request, connection: Connection) -> Reading:
        """Make the connection and take one reading. Raises InstrumentError, BenchFailure.

        The meter is set before it is joined: in an ohms function it would drive its test
        current into an excited bridge.
        """
        self.check()
        settings: dict[str, float | int | str | bool | None] = {}
        match self._instruments.get(request.role):
            case Dmm() as dmm:
                compensated = (
                    request.offset_compensation and "offset compensation" in dmm.capabilities
                )
                if request.offset_compensation:
                    settings["offset_compensation"] = compensated
                wanted = _MeterSetting(
                    range_=request.range_,
                    plc=request.plc if request.plc is not None else 10.0,
                    offset_compensation=compensated,
                )
                dmm.configure(request.quantity, **wanted)
                self.connect(connection)
                value = dmm.measure(request.quantity, **wanted)
            case Supply() as supply:
                self.connect(connection)
                value = supply.read(request.quantity)
            case InsulationTester() as tester:
                self.connect(connection)
                value = self._insulation_value(tester, request.quantity)
            case _:
                raise BenchFailure(f"the bench has no {request.role} that is read by remote")
        return _reading(value, request, settings)

    def _insulation_value(self, tester: InsulationTester, quantity: str) -> Value:
        if quantity == "insulation-resistance":
            return tester.read()
        value = tester.applied_volts()
        if value is None:
            raise BenchFailure("insulation: this tester does not tell the voltage it applies")
        return value

    # --- excitation

    def excite(self, wanted: Excitation) -> None:
        """Switch the excitation on; the supply must be joined already. Read back by the driver."""
        self.check()
        if not _supply_joins(self.router.present):
            raise BenchFailure("excitation: the supply is joined to nothing")
        supply = self._supply()
        supply.program(
            wanted.volts, wanted.current_limit, wanted.protection_volts, wanted.remote_sense
        )
        self._excited = wanted
        supply.switch_on()

    def de_excite(self, patience_s: float = 20.0) -> None:
        """Switch the excitation off and wait until nothing is left on the leads."""
        supply = self._supply()
        supply.switch_off()
        deadline = self.time.now_ns() + round(patience_s * 1e9)
        while (left := self._volts_left(supply)) is None or abs(left) > _OFF_VOLTS:
            if self.time.now_ns() > deadline:
                raise BenchFailure(f"supply is off but still at {left} V after {patience_s:g} s")
            self.time.wait(_FALLING_S)
        self._excited = None

    def _volts_left(self, supply: Supply) -> float | None:
        """The supply's own volts; None while they fall too fast for two readings to agree."""
        try:
            return supply.read("voltage").value
        except ReplyError:
            return None

    # --- insulation

    def apply_test_voltage(self, volts: float) -> None:
        """Put the insulation tester's voltage on what it is joined to.

        Only with the supply proven off and every other path read back open.
        """
        self.check()
        if self.router.present.roles != {"insulation"}:
            raise BenchFailure("insulation: the tester is not the only one on these leads")
        stands = self.file.connections.maximum_volts()
        if stands is not None and volts > stands:
            raise BenchFailure(f"insulation: {volts:g} V, but a relay stands {stands:g} V only")
        if "supply" in self._instruments and not self._supply().is_off():
            raise BenchFailure("insulation: the supply is not proven off")
        self.router.prove()
        self._tester().start(volts)

    def remove_test_voltage(self) -> None:
        """Stop the tester; its driver proves that the leads are discharged."""
        self._tester().stop()

    # --- the end

    def make_safe(self) -> None:
        """Switch off everything and prove it: tester, supply, then all relays open.

        Raises the first failure after having tried all.
        """
        failures: list[Exception] = []
        for role in ("insulation", "supply", "scanner"):
            instrument = self._instruments.get(role)
            if isinstance(instrument, Dmm) or instrument is None:
                continue
            try:
                instrument.safe_off()
            except InstrumentError as error:
                failures.append(error)
        self._excited = None
        self.router.present = NOTHING
        if failures:
            raise failures[0]

    def close(self) -> None:
        """Make safe, close the links, let the guardian and the lock go.

        The guardian does it again when it could not be proven from here.
        """
        proven = not self._touched
        try:
            if hasattr(self, "router"):
                self.make_safe()
                proven = True
        except (InstrumentError, BenchFailure):
            proven = not self._touched  # what this run never touched it need not switch off
        finally:
            for instrument in self._instruments.values():
                instrument.close()
            self._instruments.clear()
            self._let_go(proven)

    def _let_go(self, proven: bool) -> None:
        if isinstance(self.time, SteppedTime) and not proven:
            self.time.close()  # the guardian leads now
        guard, self._guard = self._guard, None
        try:
            if guard is not None:
                guard.release(proven=proven)
        finally:
            self._lock.release()

    # --- inside

    def _open(self, role: str) -> None:
        entry = self.file.instruments.get(role)
        if entry is None:
            raise BenchFailure(f"bench {self.file.name!r} has no {role}; add it to the bench file")
        if entry.by_hand:
            return
        instrument = open_instrument(self.file, role, self.folder, self.time)
        self._instruments[role] = instrument
        said = instrument.identify()
        if entry.identity and not re.fullmatch(entry.identity, said):
            raise ReplyError(
                role,
                entry.resource,
                f"it is not the instrument of the bench file (identity {entry.identity!r})",
                received=said.encode("latin-1", errors="replace"),
            )
        self.identities[role] = said

    def _relays(self) -> Scanner | None:
        scanner = self._instruments.get("scanner")
        return scanner if isinstance(scanner, Scanner) else None

    def _supply(self) -> Supply:
        supply = self._instruments.get("supply")
        if not isinstance(supply, Supply):
            raise BenchFailure("the bench has no supply that is switched by remote")
        return supply

    def _tester(self) -> InsulationTester:
        tester = self._instruments.get("insulation")
        if not isinstance(tester, InsulationTester):
            raise BenchFailure("the bench has no insulation tester that is switched by remote")
        return tester


def _supply_joins(connection: Connection) -> frozenset[object]:
    return frozenset(join for join in connection.joins if join.role == "supply")


def _lock_name(file: BenchFile) -> str:
    """A simulated bench is one of many; a real one is known by its name."""
    return file.simulation.control if file.simulation is not None else file.name


def _reading(
    value: Value, request: Request, settings: dict[str, float | int | str | bool | None]
) -> Reading:
    return Reading(
        quantity=value.quantity,
        value=value.value,
        limit=value.limit,
        unit=value.unit,
        instrument=request.role,
        range_=value.range if value.range is not None else request.range_,
        plc=request.plc,
        started_ns=value.started_ns,
        ended_ns=value.ended_ns,
        raw=value.raw,
        settings=settings,
    )
