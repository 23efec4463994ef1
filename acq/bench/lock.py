"""One run at a time on a bench: a lock that the kernel drops when its last holder ends.

The only file with flock. The guardian inherits the lock, so that no other run can start on a
bench whose outputs are not proven off.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
from pathlib import Path

import platformdirs

from acq.errors import BenchFailure


class BenchLock:
    """Held from construction until `release`, or until the last process that has it ends."""

    def __init__(self, bench_name: str) -> None:
        """Raises BenchFailure when another run holds this bench."""
        folder = Path(platformdirs.user_runtime_dir("bridgebench", ensure_exists=True))
        name = hashlib.sha256(bench_name.encode()).hexdigest()[:16]
        self.path = folder / f"bench-{name}.lock"
        self.descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(self.descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self.descriptor)
            raise BenchFailure(
                f"bench {bench_name!r} is in use by another run, or its guardian is still"
                " switching it off; wait for it or stop it"
            ) from error

    def release(self) -> None:
        """Let go of our share of the lock; closing twice is harmless."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1
