"""One run at a time on a bench: a lock that the kernel drops when its last holder ends.

The guardian inherits it, so that no other run can start on a bench whose outputs are not
proven off.
"""

from __future__ import annotations

from acq.bench.bench_file import BenchFile
from acq.errors import BenchFailure
from drivers.port_lock import PortInUseError, PortLock


class BenchLock:
    """Held from construction until `release`, or until the last process that has it ends."""

    def __init__(self, bench_name: str) -> None:
        """Raises BenchFailure when another run holds this bench."""
        try:
            self._lock = PortLock(f"bench {bench_name}", "a run")
        except PortInUseError as error:
            raise BenchFailure(
                f"bench {bench_name!r} is {error}, or its guardian is still switching it off;"
                " wait for it or stop it"
            ) from error

    @property
    def descriptors(self) -> tuple[int, ...]:
        """What the guardian inherits; nothing where the system has no such locks."""
        return () if self._lock.handle is None else (self._lock.handle,)

    def release(self) -> None:
        """Let go of our share of the lock; harmless when called again."""
        self._lock.release()


def lock_name_of(file: BenchFile) -> str:
    """A simulated bench is one of many; a real one is known by its name."""
    return file.simulation.control if file.simulation is not None else file.name
