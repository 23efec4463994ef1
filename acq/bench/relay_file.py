"""The relays of a bench file: what each joins, what it stands, what it adds to a reading."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from acq.analysis.leads import Lead
from acq.bench.connections import Join
from drivers.written_file import Written

TERMINALS_OF = {
    "dmm": ("dmm HI", "dmm LO", "dmm sense HI", "dmm sense LO"),
    "second-dmm": ("second-dmm HI", "second-dmm LO", "second-dmm sense HI", "second-dmm sense LO"),
    "supply": ("supply +", "supply -", "supply sense +", "supply sense -"),
    "insulation": ("insulation +", "insulation -", "insulation guard"),
    "source": ("source +", "source -"),
}
TERMINALS = tuple(terminal for terminals in TERMINALS_OF.values() for terminal in terminals)

Channel = Annotated[int, Field(gt=0)]


class RelayValues(Written):
    """What a relay adds to what it joins, and what it stands: limits, as its manual prints them."""

    contact_ohms: Annotated[float, Field(ge=0)] = 0.0
    emf_volts: Annotated[float, Field(ge=0)] = 0.0
    isolation_ohms: Annotated[float, Field(gt=0)] | None = None
    maximum_volts: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _opens_and_closes(self) -> RelayValues:
        if self.isolation_ohms is not None and self.isolation_ohms <= self.contact_ohms:
            raise ValueError(
                f"isolation_ohms {self.isolation_ohms:g} is not above contact_ohms"
                f" {self.contact_ohms:g}: open it would join as closed"
            )
        return self


def _known_terminal(terminal: str) -> str:
    if terminal not in TERMINALS:
        raise ValueError(f"no terminal {terminal!r}; allowed are {', '.join(TERMINALS)}")
    return terminal


class Relay(RelayValues):
    """One relay: the channel that joins one terminal to one lead of the cell in one fixture."""

    channel: Channel
    terminal: str
    lead: Lead
    position: Annotated[int, Field(ge=1)] = 1

    @field_validator("terminal")
    @classmethod
    def _known(cls, terminal: str) -> str:
        return _known_terminal(terminal)

    @property
    def join(self) -> Join:
        return Join(self.terminal, self.lead, self.position)


class Reversal(Written):
    """A relay between an instrument and the others: closed, it exchanges terminals in pairs."""

    channel: Channel
    exchanges: Annotated[tuple[tuple[str, str], ...], Field(min_length=1)]

    @field_validator("exchanges")
    @classmethod
    def _known(cls, pairs: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
        named = [_known_terminal(terminal) for pair in pairs for terminal in pair]
        if twice := _twice(named):
            raise ValueError(f"{twice} stands here twice")
        if len({Join(terminal, Lead.EX_PLUS).role for terminal in named}) != 1:
            raise ValueError("exchanges terminals of one instrument only")
        return pairs

    def other(self, terminal: str) -> str:
        """Return the terminal that stands in the place of this one while it is closed."""
        for one, two in self.exchanges:
            if terminal in (one, two):
                return two if terminal == one else one
        return terminal


class Connections(Written):
    """What the scanner can join; everything else a person clips."""

    defaults: RelayValues = RelayValues()
    relay: tuple[Relay, ...] = ()
    reversal: tuple[Reversal, ...] = ()
    exclusive: tuple[tuple[Channel, ...], ...] = ()  # of each group one channel at a time

    @model_validator(mode="after")
    def _each_once(self) -> Connections:
        switched = [*(r.channel for r in self.relay), *(r.channel for r in self.reversal)]
        if twice := _twice(switched):
            raise ValueError(f"channel {twice} stands here twice")
        joins = [(r.terminal, r.lead.value, f"position {r.position}") for r in self.relay]
        if twice := _twice(joins):
            raise ValueError(f"join {twice} stands here twice")
        for group in self.exclusive:
            _check_group(group, switched)
        return self

    @model_validator(mode="after")
    def _consistent(self) -> Connections:
        for relay in self.relay:
            try:
                RelayValues(**self.values(relay).model_dump())
            except ValueError as error:
                raise ValueError(f"relay {relay.channel}: {_reason(error)}") from None
        if not any(relay.terminal in TERMINALS_OF["insulation"] for relay in self.relay):
            return self
        unknown = [each.channel for each in self.relay if self.values(each).maximum_volts is None]
        if unknown:
            raise ValueError(
                f"relay {unknown[0]}: maximum_volts is needed (here or in defaults), because the"
                " insulation tester's voltage goes through relays"
            )
        return self

    def values(self, relay: Relay) -> RelayValues:
        """Return what holds for a relay: its own figures before the defaults."""
        own = {
            k: getattr(relay, k) for k in RelayValues.model_fields if k in relay.model_fields_set
        }
        return self.defaults.model_copy(update=own)

    def channels(self) -> Mapping[Join, int]:
        """Return the channel of every join that the scanner can make."""
        return {relay.join: relay.channel for relay in self.relay}

    def positions(self) -> tuple[int, ...]:
        """Return the fixtures that the scanner reaches, rising; none without a scanner."""
        return tuple(sorted({relay.position for relay in self.relay}))

    def weakest(self, leads: Collection[object]) -> tuple[int, float] | None:
        """Return channel and maximum volts of the weakest relay at any of these leads.

        Open relays count: what is on the lead stands across them. None where nothing is stated.
        """
        found = min(self._stated(leads), default=None)
        return None if found is None else (found[1], found[0])

    def _stated(self, leads: Collection[object]) -> Iterator[tuple[float, int]]:
        for relay in self.relay:
            volts = self.values(relay).maximum_volts
            if relay.lead in leads and volts is not None:
                yield volts, relay.channel


def _check_group(group: tuple[int, ...], switched: Collection[int]) -> None:
    unknown = [channel for channel in group if channel not in switched]
    if unknown:
        raise ValueError(f"exclusive: channel {unknown[0]} is no relay of this bench")
    if twice := _twice(group):
        raise ValueError(f"exclusive: channel {twice} stands twice in one group")
    if len(group) < 2:
        raise ValueError("exclusive: a group has two channels or more")


def _twice(values: Collection[object]) -> object:
    """Return the first value that stands there twice, None where each is there once."""
    return next((value for value, count in Counter(values).items() if count > 1), None)


def _reason(error: ValueError) -> str:
    return str(error).splitlines()[-2 if "[type=" in str(error) else -1].strip()
