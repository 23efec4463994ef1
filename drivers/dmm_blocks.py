"""Many readings by one question: the meter fills its memory, and the whole of it is fetched.

Where the dialect can fetch a block and start the next one in the same message, the meter's dead
time between two blocks is that of taking in a command. A block is not asked for twice as a single
reading is: use it on a link that checks its bytes itself (LAN, USB, GPIB), not on a serial line.
"""

from __future__ import annotations

import math
import sys
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from drivers.dialect_parts import Block, Quantity
from drivers.dmm import Dmm
from drivers.scpi import parse_number, special_number
from drivers.steps import Words
from drivers.values import Bound

_SIZES = {"real-32": ("f", 4), "real-64": ("d", 8)}


@dataclass(frozen=True, slots=True)
class ValueBlock:
    """Readings that were taken one after the other, in the order of time.

    `values` are in the SI unit, NaN where `limits` says on which side it is out of range. `raw` is
    what the instrument sent, in the `form` of the dialect. The bench times are those of the first
    reading's start and of the last one's end, as near as the link tells; in between the readings
    are evenly spaced.
    """

    quantity: str
    unit: str
    range: float | None
    values: array[float]
    limits: Mapping[int, Bound]
    raw: bytes
    form: str
    started_ns: int
    ended_ns: int
    settings: Mapping[str, float | bool] = field(default_factory=dict)


class BlockReader:
    """Readings of one quantity in blocks, from `begin` to `end`; one at a time per meter."""

    def __init__(self, dmm: Dmm) -> None:
        self._dmm = dmm
        self._quantity = ""
        self._block: Block | None = None
        self._words: Words | None = None
        self._count = 0
        self._within_s = 0.0
        self._started_ns = 0
        self._generation = -1

    @property
    def running(self) -> bool:
        """Whether a block has been started and not been fetched."""
        return self._started_ns > 0

    def begin(
        self,
        quantity: str,
        count: int,
        *,
        range_: float | None,
        plc: float,
        automatic_zero: bool = True,
    ) -> None:
        """Set the meter up for blocks of `count` readings and start the first.

        Raises RefusedError for what the dialect or the meter cannot do.
        """
        dmm, talk = self._dmm, self._dmm._talk
        block = dmm._quantity(quantity).block
        if block is None or talk.is_serial:
            where = "over a serial line" if block is not None else "by its dialect"
            raise talk.cannot(f"it gives no blocks of {quantity} {where}")
        if not 2 <= count <= block.most:
            raise talk.cannot(f"a block holds 2 to {block.most} readings, {count} were wanted")
        dmm.configure(quantity, range_=range_, plc=plc)
        words = dmm.block_words(count, automatic_zero=automatic_zero)
        dmm._steps.run(block.settings, words)
        self._quantity, self._block, self._words, self._count = quantity, block, words, count
        reading = dmm._quantity(quantity).reading
        self._within_s = (
            dmm._dialect.link.reply_s
            + reading.fixed_s
            + count * (block.each_s + plc * reading.per_cycle_s)
        )
        self._generation = talk.generation
        self._start(block, words)

    def take(self, *, again: bool = True) -> ValueBlock:
        """Return the block that was started, and start the next one with `again`.

        Raises ReplyError for a block that is not as long as it was asked for, RefusedError when
        the link had to be opened again: what was set is not known then.
        """
        dmm, talk, block, words = self._dmm, self._dmm._talk, self._block, self._words
        assert block is not None
        assert words is not None
        if not self.running or self._generation != talk.generation:
            raise talk.cannot("no block was started on this link")
        chained = again and block.again is not None
        command = block.again if chained and block.again is not None else block.fetch
        started_ns, self._started_ns = self._started_ns, 0
        with talk.unbroken():
            raw = self._asked(block, dmm._steps.fill(command, words))
            ended_ns = dmm._time.now_ns()
            if chained:
                self._started_ns = ended_ns
            elif again:
                self._start(block, words)
        quantity = dmm._quantity(self._quantity)
        numbers = self._numbers(block, raw)
        limits = _limits(numbers)
        return ValueBlock(
            self._quantity, quantity.unit, dmm._range, _in_si(quantity, numbers, limits), limits,
            raw, block.form if block.form == "text" else f"{block.form} {block.order}",
            started_ns, ended_ns,
        )  # fmt: skip

    def end(self) -> None:
        """Take what is still under way and put the meter back to single readings."""
        if self._block is None:
            return
        block, words, self._block = self._block, self._words, None
        assert words is not None
        talk, dmm = self._dmm._talk, self._dmm
        try:
            if self.running and self._generation == talk.generation:
                self._asked(block, dmm._steps.fill(block.fetch, words))
            dmm._steps.run(block.restore, words)
        finally:
            self._started_ns = 0
            dmm._forget()

    def _start(self, block: Block, words: Words) -> None:
        at_ns = self._dmm._time.now_ns()
        self._dmm._talk.tell(self._dmm._steps.fill(block.start, words))
        self._started_ns = max(at_ns, 1)

    def _asked(self, block: Block, command: str) -> bytes:
        talk = self._dmm._talk
        if block.form == "text":
            return talk.ask(command, reply_s=self._within_s).text.encode("latin-1")
        return bytes(talk.ask_block(command, reply_s=self._within_s))

    def _numbers(self, block: Block, raw: bytes) -> array[float]:
        talk = self._dmm._talk
        try:
            numbers = numbers_of(block, raw)
        except ValueError as error:
            talk.doubt()
            raise talk.reply_error(str(error), raw[:40].decode("latin-1")) from error
        if len(numbers) != self._count:
            talk.doubt()
            said = f"{len(numbers)} readings where {self._count} were asked for"
            raise talk.reply_error(said, raw[:40].decode("latin-1"))
        return numbers


def numbers_of(block: Block, raw: bytes) -> array[float]:
    """Return the numbers of a block's bytes; raises ValueError for anything else."""
    if block.form == "text":
        return array("d", map(parse_number, raw.decode("latin-1").split(block.separator)))
    code, size = _SIZES[block.form]
    if len(raw) % size:
        raise ValueError(f"{len(raw)} bytes are no whole {block.form} numbers")
    numbers: array[float] = array(code, raw)
    if block.order != sys.byteorder:
        numbers.byteswap()
    return numbers if code == "d" else array("d", numbers)


def _limits(numbers: Sequence[float]) -> dict[int, Bound]:
    """Return where a number stands for out of range (SCPI-1999 volume 1, 7.2.1.4)."""
    limits: dict[int, Bound] = {}
    if max(map(abs, numbers), default=0.0) < 1e36 and not math.isnan(sum(numbers)):
        return limits
    for place, number in enumerate(numbers):
        special = special_number(number) if math.isfinite(number) else "not a number"
        if special is not None:
            limits[place] = "below" if special == "below" or number == -math.inf else "above"
    return limits


def _in_si(quantity: Quantity, numbers: array[float], limits: Mapping[int, Bound]) -> array[float]:
    scale = quantity.reading.reply.scale
    values = numbers if scale == 1.0 else array("d", (number * scale for number in numbers))
    for place in limits:
        values[place] = math.nan
    return values
