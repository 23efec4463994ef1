"""The opened bench: instruments by role, what is joined to what, and what may be switched on.

Everything that can hurt a cell, an instrument or a hand goes through here, so that the order
stands in one place: ohms and insulation only with the supply proven off and disconnected,
insulation only on leads that nothing else reaches, excitation only with a current limit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Literal

from acq.bench.bench_file import BenchFile, terminals_of
from acq.bench.by_hand import OFF_VOLTS, HandInstrument, HandMeter, Setting, TestVolts
from acq.bench.clip_watch import OpenThenSteady
from acq.bench.connections import NOTHING, Connection
from acq.bench.guarding import Guard
from acq.bench.hands import Hands
from acq.bench.lock import BenchLock, lock_name_of
from acq.bench.relay_ways import RelayWays
from acq.bench.roles import NotOffByHand, Roles
from acq.bench.routing import Router
from acq.bench.stepped_time import SteppedTime
from acq.bench.taking import USUAL_PLC, as_reading, take
from acq.errors import BenchFailure
from acq.readings.reading import Reading
from acq.readings.specification import UNITS
from drivers.dmm import Dmm
from drivers.errors import InstrumentError, ReplyError
from drivers.insulation_tester import InsulationTester
from drivers.supply import PROTECTION, REMOTE_SENSE, Supply
from drivers.time import Time

_JOINED = ("dmm", "second-dmm", "supply", "insulation", "source")
_FALLING_S = 0.25  # between two looks at an output that runs down


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """How a display is watched by eye: what is done meanwhile, for how long, and what is typed."""

    extreme: Literal["lowest", "highest"]
    doing: str
    seconds: float  # 0: what the last watching showed


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One reading that is wanted."""

    quantity: str
    role: str = "dmm"
    range_: float | None = None
    plc: float | None = None
    offset_compensation: bool = False  # wanted where the meter has it; the reading tells
    watched: Watched | None = None  # of a meter that a person reads


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
        self, file: BenchFile, folder: Path, time: Time, roles: Iterable[str], hands: Hands
    ) -> None:
        """Lock the bench, start the guardian, open and identify every role, switch all off.

        Raises BenchFailure or InstrumentError; nothing stays open then.
        """
        self.file, self.folder, self.time = file, folder, time
        self.roles = Roles(file, folder, time, hands)
        self._test_volts = TestVolts("insulation", hands, time)
        self._guard: Guard | None = None
        self._excited: Excitation | None = None
        self._feeding = False
        self._touched = False  # whether this run has switched or joined anything
        self._lock = BenchLock(lock_name_of(file))
        try:
            self._guard = Guard(folder, self._lock)
            for role in roles:
                self.roles.open(role)
            self._ways = RelayWays(file.connections) if self.roles.relays() else None
            self.router = Router(self.roles.relays(), self._ways, hands, terminals_of(file))
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

    @property
    def by_clips(self) -> bool:
        """Whether a person makes every join."""
        return self._ways is None

    def check(self) -> None:
        """Raises BenchFailure when the run must not go on (its guardian has died)."""
        if self._guard is not None:
            self._guard.check()

    def utc(self) -> datetime:
        """The date and time, UTC; a simulated bench has its scenario's."""
        return self.time.utc() if isinstance(self.time, SteppedTime) else datetime.now(UTC)

    # --- joins

    def connect(self, connection: Connection) -> None:
        """Make exactly this connection; ohms and insulation never meet a supply that is on.

        Sense terminals that the supply does not have are left out.
        """
        connection = self._as_it_can_be(connection)
        if connection.joins == self.router.present.joins:
            return
        self._refuse_mixing(connection)
        self._touched = True
        if self._excited is not None and not _supply_joins(connection) >= _supply_joins(
            self.router.present
        ):
            raise BenchFailure("the supply is on: its leads are not taken off while it is")
        if self._feeding and _joins_of("source", connection) != _joins_of(
            "source", self.router.present
        ):
            raise BenchFailure("the source is on: its clips stay where they are")
        self.router.make(connection, self._watch(connection))
        self.router.prove()

    def _as_it_can_be(self, connection: Connection) -> Connection:
        supply = self.roles.get("supply")
        if not isinstance(supply, Supply) or REMOTE_SENSE in supply.capabilities:
            return connection
        joins = frozenset(j for j in connection.joins if not j.terminal.startswith("supply sense"))
        return Connection(connection.name, joins)

    def _watch(self, connection: Connection) -> OpenThenSteady | None:
        """What sees that one clip of the ohmmeter was moved, while its others stay."""
        meter, before = self.roles.get("dmm"), self.router.present
        stays = before.joins & connection.joins
        alone = connection.roles == before.roles == {"dmm"} and self._excited is None
        if not (isinstance(meter, Dmm) and alone and stays and not self._feeding):
            return None
        if not all(
            any("sense" in join.terminal for join in each.joins) for each in (before, connection)
        ):
            return None
        return OpenThenSteady(lambda: take(meter, "resistance", plc=1.0).value)

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
        instrument = self.roles.get(request.role)
        if instrument is None:
            raise BenchFailure(f"the bench has no {request.role}")
        settings: dict[str, Setting] = {}
        compensated = False
        if isinstance(instrument, Dmm | HandMeter):
            compensated = (
                request.offset_compensation and "offset compensation" in instrument.capabilities
            )
            if request.offset_compensation:
                settings["offset_compensation"] = compensated
            instrument.configure(
                request.quantity,
                range_=request.range_,
                plc=USUAL_PLC if request.plc is None else request.plc,
                offset_compensation=compensated,
            )
        if request.role in _JOINED:
            self.connect(connection)
        watched = request.watched
        if watched is not None and isinstance(instrument, HandMeter):
            value = instrument.watch(
                request.quantity, request.range_, watched.extreme, watched.doing, watched.seconds
            )
        else:
            value = take(
                instrument,
                request.quantity,
                range_=request.range_,
                plc=request.plc,
                offset_compensation=compensated,
            )
        if isinstance(instrument, HandInstrument):
            settings |= instrument.told
        if self._ways is not None:
            settings |= self._ways.added(request.quantity, request.role, connection)
        return as_reading(
            request.role, value, range_=request.range_, plc=request.plc, settings=settings
        )

    def read_together(self, requests: Sequence[Request], connection: Connection) -> list[Reading]:
        """Start a reading on each meter, read what is no meter meanwhile, then fetch all.

        For what belongs to one instant. Raises BenchFailure for a role that is not there.
        """
        self.check()
        meters = [self.roles.get(request.role) for request in requests]
        for request, meter in zip(requests, meters, strict=True):
            if meter is None:
                raise BenchFailure(f"the bench has no {request.role}")
            if isinstance(meter, Dmm):
                plc = USUAL_PLC if request.plc is None else request.plc
                meter.configure(request.quantity, range_=request.range_, plc=plc)
        self.connect(connection)
        for request, meter in zip(requests, meters, strict=True):
            if isinstance(meter, Dmm):
                plc = USUAL_PLC if request.plc is None else request.plc
                meter.start(request.quantity, range_=request.range_, plc=plc)
        others = {
            request.role: self.read(request, connection)
            for request, meter in zip(requests, meters, strict=True)
            if not isinstance(meter, Dmm)
        }
        return [
            self._fetched(request, meter, connection)
            if isinstance(meter, Dmm)
            else others[request.role]
            for request, meter in zip(requests, meters, strict=True)
        ]

    def _fetched(self, request: Request, meter: Dmm, connection: Connection) -> Reading:
        added = self._ways.added(request.quantity, request.role, connection) if self._ways else {}
        return as_reading(
            request.role, meter.fetch(), range_=request.range_, plc=request.plc, settings=added
        )

    # --- excitation

    def excite(self, wanted: Excitation) -> None:
        """Switch the excitation on; the supply must be joined already. Read back by the driver."""
        self.check()
        if not _supply_joins(self.router.present):
            raise BenchFailure("excitation: the supply is joined to nothing")
        self._refuse_above_relays("excitation", wanted.protection_volts)
        supply = self.roles.supply()
        protection: float | None = wanted.protection_volts
        sense: bool | None = wanted.remote_sense
        if isinstance(supply, Supply):  # what it lacks was told when the run began
            protection = protection if PROTECTION in supply.capabilities else None
            sense = sense if REMOTE_SENSE in supply.capabilities else None
        supply.program(wanted.volts, wanted.current_limit, protection, sense)
        self._excited, self.router.live_volts = wanted, wanted.volts
        supply.switch_on()

    def de_excite(self, patience_s: float = 20.0) -> None:
        """Switch the excitation off and wait until nothing is left on the leads."""
        supply = self.roles.supply()
        supply.switch_off()
        if isinstance(supply, Supply):
            self._await_down(supply, patience_s)
        self._excited, self.router.live_volts = None, None

    def _await_down(self, supply: Supply, patience_s: float) -> None:
        deadline = self.time.now_ns() + round(patience_s * 1e9)
        while (left := self._volts_left(supply)) is None or abs(left) > OFF_VOLTS:
            if self.time.now_ns() > deadline:
                raise BenchFailure(f"supply is off but still at {left} V after {patience_s:g} s")
            self.time.wait(_FALLING_S)

    def _volts_left(self, supply: Supply) -> float | None:
        """The supply's own volts; None while they fall too fast for two readings to agree."""
        try:
            return supply.read("voltage").value
        except ReplyError:
            return None

    # --- a known value fed in place of another

    def feed(self, kind: str, value: float, limit: float, connection: Connection) -> Reading:
        """Have the source put out `value` (V, or A), its limit in A or V; joined first, then on.

        `kind` is one that its dialect names, such as `dc-voltage` or `dc-current-sink`. Returns
        the value as programmed and read back by the driver.
        """
        self.check()
        source = self.roles.source()
        self.connect(connection)
        started = self.time.now_ns()
        source.program(kind, value, limit)
        self._feeding = True
        source.switch_on()
        quantity = kind.removesuffix("-sink")
        return Reading(
            quantity=quantity,
            value=value,
            limit=None,
            unit=UNITS[quantity],
            instrument="source",
            range_=None,
            plc=None,
            started_ns=started,
            ended_ns=self.time.now_ns(),
            raw=repr(value),
            settings={"kind": kind},
        )

    def stop_feeding(self) -> None:
        """Switch the source off and prove it."""
        self.roles.source().safe_off()
        self._feeding = False

    # --- insulation

    def apply_test_voltage(self, volts: float) -> None:
        """Put the insulation tester's voltage on what it is joined to.

        Only with the supply proven off and every other path read back open.
        """
        self.check()
        if self.router.present.roles != {"insulation"}:
            raise BenchFailure("insulation: the tester is not the only one on these leads")
        self._refuse_above_relays("insulation", volts)
        if self.roles.get("supply") is not None and not self.roles.supply().is_off():
            raise BenchFailure("insulation: the supply is not proven off")
        self.router.prove()
        tester = self.roles.tester()
        if isinstance(tester, InsulationTester) and tester.set_by_hand:
            self._test_volts.have_set(volts)
        tester.start(volts)

    def _refuse_above_relays(self, what: str, volts: float) -> None:
        """Every relay at these leads has the voltage across it, the open ones too."""
        if self._ways is None:
            return
        leads = {join.lead for join in self.router.present.joins}
        weakest = self.file.connections.weakest(leads)
        if weakest is not None and volts > weakest[1]:
            raise BenchFailure(
                f"{what}: {volts:g} V, but the relay of channel {weakest[0]} stands"
                f" {weakest[1]:g} V only; nothing was switched on"
            )

    def remove_test_voltage(self) -> None:
        """Stop the tester; its driver proves that the leads are discharged."""
        self.roles.tester().stop()

    # --- the end

    def make_safe(self, *, by_hand: bool = True) -> None:
        """Switch off everything and prove it: tester, supply, then all relays open.

        Raises the first failure after having tried all.
        """
        try:
            self.roles.make_safe(by_hand=by_hand)
        finally:
            self._excited, self.router.live_volts = None, None
            self._feeding = False
            self.router.present = NOTHING

    def close(self) -> None:
        """Make safe, close the links, let the guardian and the lock go.

        The guardian does it again when it could not be proven from here. Raises NotOffByHand
        for what only a person could have switched off.
        """
        proven, left_on = not self._touched, None
        try:
            if hasattr(self, "router"):
                self.make_safe(by_hand=self._touched)
                proven = True
        except NotOffByHand as error:
            proven, left_on = False, error
        except (InstrumentError, BenchFailure):
            proven = not self._touched  # what this run never touched it need not switch off
        finally:
            self.roles.close()
            self._let_go(proven)
        if left_on is not None:
            raise left_on

    def _let_go(self, proven: bool) -> None:
        if isinstance(self.time, SteppedTime) and not proven:
            self.time.close()  # the guardian leads now
        guard, self._guard = self._guard, None
        try:
            if guard is not None:
                guard.release(proven=proven)
        finally:
            self._lock.release()


def _supply_joins(connection: Connection) -> frozenset[object]:
    return _joins_of("supply", connection)


def _joins_of(role: str, connection: Connection) -> frozenset[object]:
    return frozenset(join for join in connection.joins if join.role == role)
