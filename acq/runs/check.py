"""One check of a run: readings, waits, answers and findings, each journalled before it is used."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from acq.analysis.leads import Lead
from acq.bench.bench import Request
from acq.bench.connections import NOTHING, Connection, Polarity, volts
from acq.readings.conformity import SHARE, Limit
from acq.readings.measured import Measured
from acq.readings.reading import Reading
from acq.runs.bench_book import EarlierValue
from acq.runs.effects import FinishedCheck, ScriptDiffers, error_as_json, error_from_json
from acq.runs.findings import Finding, judged
from acq.runs.journal import plain
from acq.runs.prompts import Prompt
from acq.runs.watching import Watcher
from drivers.errors import InstrumentError

if TYPE_CHECKING:
    from acq.runs.run import Run

State = Literal["done", "withheld", "skipped"]


class Check:
    """Open while its block runs. In a finished check every effect is answered by the journal."""

    def __init__(
        self,
        run: Run[Any],
        key: str,
        name: str,
        about: str,
        finished: FinishedCheck | None,
        whose: str = "",
    ) -> None:
        """`whose` is the serial of the cell where a run tests several."""
        self.whose = whose
        self.key = key
        self.name = name
        self.about = about
        self.finished = finished
        self.findings: list[Finding] = []
        self.state: State = "done"
        self.because = ""
        self._run = run

    # --- effects

    def read(
        self,
        request: Request,
        across: tuple[Lead, Lead] | None = None,
        joins: Connection | None = None,
    ) -> Reading:
        """Take one reading; `across` puts the meter's volts input on two leads for it.

        `joins` are made beside those of the open states, for this reading. Raises
        InstrumentError, BenchFailure; a journalled failure is raised again in a replay.
        """
        connection = self._run.joined()
        if across is not None:
            connection |= self._run.here(volts(*across))
        if joins is not None:
            connection = joins if connection is NOTHING else connection | joins
        ask = {
            "at": connection.name,
            "quantity": request.quantity,
            "role": request.role,
            "range": request.range_,
            "plc": request.plc,
            "offset_compensation": request.offset_compensation,
        }
        if request.watched is not None:
            ask |= {"extreme": request.watched.extreme, "watched": request.watched.doing}
        got = self.effect("read", ask, lambda: self._run.bench.read(request, connection).to_json())
        return Reading.from_json(got)

    def readings(
        self, request: Request, count: int, across: tuple[Lead, Lead] | None = None
    ) -> list[Reading]:
        """Take several readings of one kind."""
        return [self.read(request, across) for _ in range(count)]

    def measure(
        self, request: Request, count: int, across: tuple[Lead, Lead] | None = None
    ) -> Measured:
        """Return the mean of several readings with its uncertainty, or the bound they prove."""
        return self._run.uncertainties.mean(self.readings(request, count, across))

    def turn(self, side: Polarity) -> None:
        """Reverse the excitation within the check, or turn it back; the next effect finds it on.

        For what cannot be two checks: a point of a load run at both polarities.
        """
        self.effect("turn", side.value, lambda: None)
        self._run.turn_excitation(side)

    def wait(self, seconds: float, because: str) -> None:
        """Let bench time pass; the reason stands on the screen."""

        def act() -> None:
            self._run.wait(seconds, because)

        self.effect("wait", {"seconds": seconds, "because": because}, act)

    def ask(self, prompt: Prompt) -> str:
        """Have a person answer; the answer is journalled with who gave it."""

        def act() -> dict[str, str]:
            answer = self._run.ask(prompt)
            return {"text": answer.text, "by": answer.by}

        return str(self.effect("ask", prompt.as_json(), act)["text"])

    def tell(self, prompt: Prompt) -> None:
        """Have a person do what the bench sees by itself: a load; nobody needs to answer."""
        self.effect("tell", prompt.as_json(), lambda: self._run.tell(prompt))

    def watch(
        self, request: Request, watcher: Watcher, across: tuple[Lead, Lead] | None = None
    ) -> dict[str, Any]:
        """Read on until the watcher has seen enough; the journal keeps what it has seen."""
        connection = self._run.joined()
        if across is not None:
            connection |= self._run.here(volts(*across))
        ask = {"at": connection.name, "role": request.role, "watch": watcher.as_json()}

        def act() -> Any:
            return self._run.watch(request, connection, watcher)

        seen: dict[str, Any] = self.effect("watch", ask, act)
        return seen

    def read_together(self, requests: Sequence[Request], connection: Connection) -> list[Reading]:
        """Start the readings of several meters in one instant, then fetch them."""
        joined = self._run.joined() | self._run.here(connection)
        ask = {"at": joined.name, "roles": [each.role for each in requests]}

        def act() -> list[Any]:
            return [each.to_json() for each in self._run.bench.read_together(requests, joined)]

        return [Reading.from_json(each) for each in self.effect("read together", ask, act)]

    def sitting(self) -> int:
        """Return which sitting at the bench this is: one more each time the run is taken up."""
        return int(self.effect("sitting", None, lambda: self._run.attempt))

    def now(self) -> datetime:
        """The date and time, UTC."""
        got = self.effect("now", None, lambda: self._run.utc().isoformat())
        return datetime.fromisoformat(got)

    def earlier(self, finding: str, most: int, serial: str = "") -> list[EarlierValue]:
        """Return what a finding of a serial was before on this bench, oldest first.

        Of this run's cell unless another serial is named.
        """
        run, number, sequence = self._run, *self._run.identity
        ask = {"finding": finding, "most": most} | ({"serial": serial} if serial else {})

        def act() -> list[dict[str, Any]]:
            kept = run.book.earlier(serial or run.cell.serial, sequence, finding, most)
            return [each.as_json() for each in kept if each.run != number]

        return [EarlierValue(**each) for each in self.effect("lookup", ask, act)]

    def close_bench(self, because: str) -> None:
        """Close the bench for certificates until somebody clears it with a reason."""
        number, _ = self._run.identity
        self.effect("close-bench", because, lambda: self._run.book.close(because, number))

    def closed_because(self) -> str:
        """Return why the bench is closed for certificates; empty while it is open."""

        def act() -> str:
            return self._run.book.closed_because()

        return str(self.effect("lookup", "bench", act))

    def effect(self, kind: str, ask: Any, act: Callable[[], Any]) -> Any:
        """Do something whose outcome the script uses; answered by the journal in a replay.

        Raises ScriptDiffers when the journal holds another effect here.
        """
        self._run.effect_allowed(self)
        if self.finished is not None:
            line = self.finished.next(kind, ask)
            if "error" in line.content:
                raise error_from_json(line.content["error"])
            return line.content.get("got")
        self._run.establish()
        try:
            got = act()
        except InstrumentError as error:
            self._keep(kind, ask, error=error_as_json(error))
            raise
        self._keep(kind, ask, got=got)
        return plain(got)

    # --- results

    def finding(
        self,
        name: str,
        quantity: str,
        unit: str,
        measured: Measured,
        limits: Sequence[Limit] = (),
        *,
        rule: str = "four statements",
        share: float | None = SHARE,
        marks: Sequence[str] = (),
    ) -> Finding:
        """Judge a result and keep it; without limits it is only told."""
        return self.add(
            judged(
                name,
                self.name,
                quantity,
                unit,
                measured,
                limits,
                rule,
                share,
                indication_only=self._run.indication_only,
                marks=marks,
            )
        )

    def add(self, finding: Finding) -> Finding:
        """Keep one finding; in a replay it must come out as the journal has it."""
        if self.whose:
            finding = replace(finding, name=f"{self.whose}: {finding.name}")
        self.keep("finding", finding.name, finding.as_json())
        self.findings.append(finding)
        return finding

    def keep(self, kind: str, name: str, content: Any) -> None:
        """Keep something computed from this run's readings: a figure, a diagnosis.

        In a replay it must come out as the journal has it.
        """
        if self.finished is None:
            self._keep(kind, name, got=content)
            return
        line = self.finished.next(kind, name)
        if line.content["got"] != plain(content):
            raise ScriptDiffers(line.number, f"{kind} {name!r} comes out otherwise")

    def withhold(self, because: str) -> None:
        """State that this check gives no result, and why."""
        self.state = "withheld"
        self.because = because

    # --- inside

    def _keep(self, kind: str, ask: Any, **outcome: Any) -> None:
        self._run.append(
            "effect", check=self.key, attempt=self._run.attempt, kind=kind, ask=ask, **outcome
        )
