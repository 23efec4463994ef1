"""The run's own local socket: other terminals and the page answer, pause, stop.

A run is one thread, so the socket is looked at wherever the run comes by: before effects, in
waits, at prompts. One JSON line in, one JSON line out.
"""

from __future__ import annotations

import json
import os
import select
import socket
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from acq.errors import BenchFailure, RepeatAsked, Skipped, Stopped, WrongInput

_PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True)
class Told:
    """One order from outside: `answer` (with text), `pause`, `go-on`, `skip`, `repeat` or `stop`.

    `text` is the answer, the reason of a skip, or the check that is to be repeated; `because`
    the reason of that. A pause with the text `keep` may begin with the excitation on.
    """

    order: str
    by: str
    text: str = ""
    because: str = ""

    def raise_if_it_breaks(self) -> None:
        """Raise what an order makes of the check under way; nothing for the others."""
        if self.order == "stop":
            raise Stopped(f"stopped by {self.by}")
        if self.order == "skip":
            raise Skipped(self.by, self.text)
        if self.order == "repeat":
            raise RepeatAsked(self.text, self.by, self.because)


ORDERS = ("answer", "pause", "go-on", "skip", "repeat", "stop")
KEEP_EXCITATION = "keep"


class Onlookers:
    """Obeys what is told while nobody is asked: stop at once, pause where nothing is energised."""

    def __init__(self, control: ControlSocket, say: Callable[[str], None]) -> None:
        self._control = control
        self._say = say
        self._pausing = ""
        self._keeping = False
        self.heard: deque[Told] = deque(maxlen=100)
        """Answers that came while nobody was asked: a run that goes on reading takes orders so."""

    def say(self, text: str) -> None:
        """Tell a person something that is no line of the journal."""
        self._say(text)

    def between(self) -> None:
        """Look whether something was told; raises Stopped."""
        while (told := self._control.next()) is not None:
            told.raise_if_it_breaks()
            if told.order == "answer":
                self.heard.append(told)
            if told.order == "pause":
                self._pausing, self._keeping = told.by, told.text == KEEP_EXCITATION
                where = "before the next check, the excitation stays on,"
                plainly = "where nothing is energised; a test voltage is switched off now"
                self._say(
                    f"{told.by} wants a pause: it begins {where if self._keeping else plainly}"
                )
            if told.order == "go-on":
                self._pausing = ""

    @property
    def pausing(self) -> bool:
        """Whether a pause is wanted with nothing energised."""
        return bool(self._pausing) and not self._keeping

    def rest_excited(self) -> None:
        """Have a pause with the excitation on, where it was wanted so; no test voltage is on."""
        self.between()
        if self._pausing and self._keeping:
            self._say("pause: the EXCITATION IS ON; go on with: bridgebench go-on RUN")
            self._until_told()

    def rest(self) -> None:
        """Have the pause that was wanted, until somebody says go-on; raises Stopped."""
        self.between()
        if self._pausing:
            self._say("pause: nothing is energised; go on with: bridgebench go-on RUN")
        self._until_told()

    def _until_told(self) -> None:
        while self._pausing:
            self._control.wait(1.0)
            self.between()


class ControlSocket:
    """The listening end, owned by the run."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._folder = os.open(path.parent, os.O_RDONLY | os.O_CLOEXEC)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        path.unlink(missing_ok=True)
        # through the folder's descriptor: a socket's path may be 107 bytes at the most
        self._listener.bind(f"/proc/self/fd/{self._folder}/{path.name}")
        self._listener.listen(8)
        self._listener.setblocking(False)
        self._told: deque[Told] = deque()

    def fileno(self) -> int:
        """For select beside a person's keyboard."""
        return self._listener.fileno()

    def next(self) -> Told | None:
        """Return the oldest order that nobody has obeyed yet; never waits."""
        while self._accept():
            pass
        return self._told.popleft() if self._told else None

    def wait(self, seconds: float) -> None:
        """Wait in wall time until something may have come."""
        if not self._told:
            select.select([self._listener], [], [], seconds)

    def close(self) -> None:
        self._listener.close()
        os.close(self._folder)
        self._path.unlink(missing_ok=True)

    def _accept(self) -> bool:
        try:
            peer, _ = self._listener.accept()
        except BlockingIOError:
            return False
        with peer:
            peer.settimeout(1.0)
            try:
                with peer.makefile("rb") as lines:
                    told = _read(lines.readline(65536))
                self._told.append(told)
                peer.sendall(b'{"taken":true}\n')
            except ValueError as error:
                peer.sendall(json.dumps({"error": str(error)}).encode() + b"\n")
            except OSError:
                pass  # a peer that went away asked for nothing
        return True


def _read(raw: bytes) -> Told:
    content: Any = json.loads(raw)
    if not isinstance(content, dict) or content.get("order") not in ORDERS:
        raise ValueError(f"an order is one of {', '.join(ORDERS)}")
    by, text, because = (str(content.get(key, "")) for key in ("by", "text", "because"))
    return Told(content["order"], by or "unnamed", text, because)


def tell(path: Path, told: Told) -> None:
    """Give an order to a running run. Raises WrongInput when it does not run, BenchFailure when
    it does not take the order.
    """
    try:
        folder = os.open(path.parent, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        raise WrongInput(f"no run in {path.parent}") from None
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(_PATIENCE_S)
            link.connect(f"/proc/self/fd/{folder}/{path.name}")
            order = asdict(told)
            link.sendall(json.dumps(order).encode() + b"\n")
            with link.makefile("rb") as lines:
                answer = json.loads(lines.readline() or b"{}")
    except (FileNotFoundError, ConnectionRefusedError):
        raise WrongInput(f"run {path.parent.name} is not running") from None
    except OSError as error:
        raise BenchFailure(f"run {path.parent.name} does not take the order: {error}") from error
    finally:
        os.close(folder)
    if not answer.get("taken"):
        raise BenchFailure(f"run {path.parent.name}: {answer.get('error', 'no answer')}")
