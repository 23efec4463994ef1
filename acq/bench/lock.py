"""One run at a time on a bench: a lock that the kernel drops when its last holder ends.

The guardian inherits it, so that no other run can start on a bench whose outputs are not
proven off. Who comes while the guardian of a run that is gone still switches off, waits for it.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from acq.bench.bench_file import BenchFile
from acq.errors import BenchFailure
from drivers.port_lock import PortInUseError, PortLock

_GUARDIAN_HAS_S = 60.0  # more than a slow supply takes to come down
_TRY_EVERY_S = 0.1


class BenchLock:
    """Held from construction until `release`, or until the last process that has it ends."""

    def __init__(self, bench_name: str, tell: Callable[[str], None] = lambda _: None) -> None:
        """Wait for the guardian of a run that is gone; `tell` hears that, once.

        Raises BenchFailure when another run holds this bench, or its guardian does for a minute.
        """
        self._lock = _lock(bench_name, tell)

    @property
    def descriptors(self) -> tuple[int, ...]:
        """What the guardian inherits; nothing where the system has no such locks."""
        return () if self._lock.handle is None else (self._lock.handle,)

    def release(self) -> None:
        """Let go of our share of the lock; harmless when called again."""
        self._lock.release()


def await_guardian(file: BenchFile, tell: Callable[[str], None]) -> None:
    """Return when nobody holds this bench; raises BenchFailure as BenchLock does.

    A form that was typed in has no instruments, and is nobody's bench.
    """
    if file.instruments:
        BenchLock(lock_name_of(file), tell).release()


def lock_name_of(file: BenchFile) -> str:
    """A simulated bench is one of many; a real one is known by its name."""
    return file.simulation.control if file.simulation is not None else file.name


def _lock(bench_name: str, tell: Callable[[str], None]) -> PortLock:
    told, end = False, time.monotonic() + _GUARDIAN_HAS_S
    while True:
        try:
            return PortLock(f"bench {bench_name}", "a run")
        except PortInUseError as error:
            if not error.inherited:
                raise BenchFailure(
                    f"bench {bench_name!r} is {error}; wait for it or stop it"
                ) from error
            if time.monotonic() > end:
                raise BenchFailure(
                    f"bench {bench_name!r}: the guardian of an earlier run cannot prove it off;"
                    " switch the instruments off by hand, then look at their links"
                ) from error
        if not told:
            told = True
            tell(f"the guardian of an earlier run still switches bench {bench_name!r} off; waiting")
        time.sleep(_TRY_EVERY_S)
