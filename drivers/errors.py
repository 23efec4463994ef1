"""All that drivers raise: four errors, cut by what the caller should do.

Each names the role, the resource, what was sent and what came. Over-range is no error:
it is a value with a limit (see `drivers.values`).
"""

from __future__ import annotations


class InstrumentError(Exception):
    """Base of every failure that comes from talking to an instrument."""

    what = "failed"

    def __init__(
        self, role: str, resource: str, reason: str, *, sent: bytes = b"", received: bytes = b""
    ) -> None:
        self.role = role
        self.resource = resource
        self.reason = reason
        self.sent = sent
        self.received = received
        super().__init__(
            f"{role} at {resource} {self.what}: {reason}"
            f" (sent {_shown(sent)}, received {_shown(received)})"
        )


class NoReplyError(InstrumentError):
    """No whole reply before the deadline: the instrument may be busy, off or held by another."""

    what = "gave no whole reply"


class LinkLostError(InstrumentError):
    """The link is not there or has gone: nothing can be said until it is opened again."""

    what = "is not reachable"


class ReplyError(InstrumentError):
    """A whole reply came, but not one that its dialect knows: wrong instrument or wrong dialect."""

    what = "answered something else"


class RefusedError(InstrumentError):
    """The instrument refused, or did not take over, what it was told."""

    what = "refused"


def _shown(data: bytes) -> str:
    return repr(data.decode("latin-1")) if data else "nothing"
