"""One owner per port: a lock file in the user's runtime folder. The only file that uses flock.

The operating system drops the lock when its process ends, however it ends, so a killed run never
leaves a port locked. A TCP port needs it as much as a serial one: many instruments accept a second
connection and stay mute on it, or serve both and swap the answers.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import time
from pathlib import Path

try:
    import fcntl
except ImportError:  # not POSIX: the port itself is then the only lock
    fcntl = None  # type: ignore[assignment]

# A killed process's files are closed one after the other: the next owner may come in between.
_PATIENCE_S = 0.5
_TRY_EVERY_S = 0.01


class PortInUseError(ConnectionError):
    """Another process holds the port."""

    def __init__(self, owner: str) -> None:
        super().__init__(f"in use by {owner or 'another process'}")
        self._owner = re.match(r"process (\d+) ", owner)

    @property
    def inherited(self) -> bool:
        """Whether the owner has ended, and a process that it started holds the port."""
        if self._owner is None:
            return False
        try:
            os.kill(int(self._owner[1]), 0)  # signal 0 asks only
        except OSError as error:  # another user's process lives too
            return isinstance(error, ProcessLookupError)
        return False


class PortLock:
    """Held from construction to `release`."""

    def __init__(self, resource: str, role: str) -> None:
        self._path = _folder() / f"{lock_name(resource)}.lock"
        self._handle: int | None = None
        if fcntl is not None:
            self._handle = self._take(role)

    def _take(self, role: str) -> int:
        handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        if not hold(handle):
            owner = os.read(handle, 200).decode("utf-8", "replace").strip()
            os.close(handle)
            raise PortInUseError(owner)
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"process {os.getpid()} as {role}\n".encode(), 0)
        return handle

    @property
    def handle(self) -> int | None:
        """The descriptor that holds the lock, for a child process that shall share it."""
        return self._handle

    def release(self) -> None:
        """Give the port back; harmless when called again. The file stays for the next owner."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def hold(handle: int) -> bool:
    """Lock an open file until it is closed; False when another process has it locked."""
    if fcntl is None:
        return True  # type: ignore[unreachable]
    end = time.monotonic() + _PATIENCE_S
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end:
                return False
            time.sleep(_TRY_EVERY_S)
        else:
            return True


def lock_name(resource: str) -> str:
    """Return the same name for every spelling of one port."""
    spelt = resource.strip()
    if match := re.fullmatch(r"(?i)ASRL(/.+?)(::INSTR)?", spelt):
        spelt = "ASRL" + os.path.realpath(match[1])
    else:
        spelt = re.sub(r"(?i)^TCPIP\d*::", "TCPIP::", spelt).upper()
    readable = re.sub(r"[^A-Za-z0-9]+", "-", spelt).strip("-")[:60]
    return f"{readable}-{hashlib.sha256(spelt.encode()).hexdigest()[:12]}"


def _folder() -> Path:
    """Return a folder that every process of this user finds, whatever started it."""
    user = os.getuid() if hasattr(os, "getuid") else 0
    given = os.environ.get("XDG_RUNTIME_DIR", f"/run/user/{user}")
    if os.access(given, os.W_OK):
        folder = Path(given) / "bridgebench"
    else:
        folder = Path(tempfile.gettempdir()) / f"bridgebench-{user}"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder
