"""Runs one scenario in a world: the same coroutine in virtual and in real time."""

from __future__ import annotations

from functools import partial

from bench.clock import Entry, Phase, Wait
from bench.errors import BenchError, DeadlockError, LogicFault
from bench.logic import Condition
from bench.report.result import Failure, ScenarioResult, StepResult, Verdict, Violation
from bench.scenario.model import Rule, Scenario, Step
from bench.trace import Change, Value
from bench.units import ms_text
from bench.world import STOPPED, World

ONLINE_WITHIN_NS = 5_000_000_000
PICTURED = 14


class _LimitReached(BenchError):
    """The scenario's own limit; ends whatever is waited for."""

    def __init__(self, limit_ns: int) -> None:
        self.limit_ns = limit_ns
        super().__init__(limit_ns)

    def __str__(self) -> str:
        return f"the scenario's limit of {ms_text(self.limit_ns)} ms was reached"


class Run:
    """One run of *scenario* in *world*; `await main()` once, then `result(...)`."""

    def __init__(self, scenario: Scenario, world: World) -> None:
        self._scenario = scenario
        self._world = world
        self._timeline = world.timeline
        self._steps: list[StepResult] = []
        self._failures: list[Failure] = []
        self._violations: dict[str, Violation] = {}
        self._valueless: set[str] = set()  # rules that could not be evaluated
        self._current: Wait | None = None
        self._limited = False
        self._error = False

    async def main(self) -> None:
        """Start the world, do every step, stop at the first that fails."""
        world = self._world
        world.watchers.add((STOPPED,), self._check_logic)
        for rule in self._scenario.rules:
            world.watchers.add(rule.condition.names, partial(self._check_rule, rule))
        world.start()
        limit = self._timeline.at(self._scenario.limit_ns, Phase.CHECK, self._limit)
        try:
            if await self._online():
                await self._all_steps()
        finally:
            limit.cancel()
        world.sample_analogue()
        if world.stopped is not None and not self._error:  # in the instant of the last step
            self._error = True
            self._failures.append(self._failure(None, f"the logic stopped: {world.stopped}"))
        self._report_forces()

    async def _all_steps(self) -> None:
        for step in self._scenario.steps:
            if self._error or (self._failures and self._failures[-1].step is not None):
                return
            await self._guarded(step)

    async def _guarded(self, step: Step) -> None:
        start_ns = self._timeline.now_ns
        try:
            if step.at_ns is not None:
                await self._sleep_until(step.at_ns)
            start_ns = self._timeline.now_ns
            await self._do(step, start_ns)
        except (_LimitReached, DeadlockError) as error:
            self._fail(step, start_ns, str(error))
        except LogicFault as fault:
            self._error = True
            whose = "the logic stopped" if fault is self._world.stopped else "the condition has no value"
            self._fail(step, start_ns, f"{whose}: {fault}", verdict=Verdict.ERROR)

    async def _do(self, step: Step, start_ns: int) -> None:
        if step.condition is not None:
            await self._expect(step, step.condition, start_ns)
            return
        world = self._world
        match step.verb:
            case "press":
                world.press(step.target)
            case "release":
                world.release(step.target)
            case "hold":
                world.press(step.target)
                await self._sleep_until(start_ns + (step.for_ns or 0))
                world.release(step.target)
            case "wait":
                await self._sleep_until(start_ns + (step.for_ns or 0))
            case "set":
                assert step.value is not None
                world.set(step.target, step.value, step.over_ns)
            case "override":
                world.override(step.target, bool(step.value))
            case "force":
                world.force(step.target, bool(step.value))
            case "unforce":
                for tag in world.rack.forces if step.target == "all" else (step.target,):
                    world.force(tag, None)
            case "fault" | "clear":
                world.fault(step.kind, step.target, step.verb == "fault")
        self._pass(step, start_ns, "")

    # --- expectations ---

    async def _expect(self, step: Step, condition: Condition, start_ns: int) -> None:
        came = True
        if step.within_ns is not None:
            came = await self._until(condition, start_ns + step.within_ns)
        elif step.for_ns is None:
            came = self._holds(condition)
        seen_ns = self._timeline.now_ns
        stayed = came
        if came and step.for_ns is not None:
            stayed = await self._stays(condition, seen_ns + step.for_ns)
        if stayed:
            self._pass(step, start_ns, self._seen(condition), seen_ns)
            return
        self._fail(step, start_ns, self._why(step, condition, came), condition)

    def _why(self, step: Step, condition: Condition, came: bool) -> str:
        at = ms_text(self._timeline.now_ns)
        if step.for_ns is not None and came:
            return f"{condition.text} did not stay true for {ms_text(step.for_ns)} ms (FALSE at {at} ms)"
        if step.within_ns is not None:
            return f"{condition.text} did not come true within {ms_text(step.within_ns)} ms (until {at} ms)"
        return f"{condition.text} was not true at {at} ms"

    async def _until(self, condition: Condition, deadline_ns: int) -> bool:
        return await self._watch(condition, deadline_ns, ends_when=True)

    async def _stays(self, condition: Condition, deadline_ns: int) -> bool:
        return await self._watch(condition, deadline_ns, ends_when=False)

    async def _watch(self, condition: Condition, deadline_ns: int, *, ends_when: bool) -> bool:
        """Wait until the condition is *ends_when*, or the deadline; whether it is true then."""
        if self._holds(condition) is ends_when or deadline_ns <= self._timeline.now_ns:
            return self._holds(condition)
        wait = self._wait(f"{condition.text} to become {'TRUE' if ends_when else 'FALSE'}")

        def look(*, last: bool = False) -> None:
            try:
                holds = self._holds(condition)
            except LogicFault as fault:
                wait.fail(fault)
                return
            if last or holds is ends_when:
                wait.finish(holds)

        timer = self._timeline.at(deadline_ns, Phase.CHECK, lambda: look(last=True))
        watcher = self._world.watchers.add(condition.names, look)
        try:
            return await wait
        finally:
            self._done(timer)
            self._world.watchers.remove(watcher)

    def _holds(self, condition: Condition) -> bool:
        return condition.evaluate({name: self._world.value(name) for name in condition.names})

    # --- waiting ---

    async def _online(self) -> bool:
        if self._world.scanner is None:
            return True
        wait = self._wait("the controller's connection to the adapter")
        world = self._world

        def look() -> None:
            if world.adapter.running:
                wait.finish(True)

        watcher = world.watchers.add(("adapter.running", STOPPED), look)
        timer = self._timeline.at(ONLINE_WITHIN_NS, Phase.CHECK, lambda: wait.finish(False))
        try:
            online = await wait
        except BenchError as error:
            self._error = True
            self._failures.append(self._failure(None, str(error)))
            return False
        finally:
            self._done(timer)
            world.watchers.remove(watcher)
        if not online:
            self._error = True
            reason = world.refusals[-1].sentence if world.refusals else "no answer"
            self._failures.append(self._failure(None, f"the controller got no connection: {reason}"))
        return online

    async def _sleep_until(self, t_ns: int) -> None:
        if t_ns <= self._timeline.now_ns:
            return
        wait = self._wait(f"the time {ms_text(t_ns)} ms")
        timer = self._timeline.at(t_ns, Phase.CHECK, wait.finish)
        try:
            await wait
        finally:
            self._done(timer)

    def _wait(self, what: str) -> Wait:
        if self._limited:
            raise _LimitReached(self._scenario.limit_ns)
        if self._world.stopped is not None:
            raise self._world.stopped
        self._current = self._timeline.wait(what)
        return self._current

    def _done(self, timer: Entry) -> None:
        timer.cancel()
        self._current = None

    def _limit(self) -> None:
        self._limited = True
        if self._current is not None:
            self._current.fail(_LimitReached(self._scenario.limit_ns))

    # --- what is watched throughout ---

    def _check_rule(self, rule: Rule) -> None:
        if rule.text in self._violations or rule.text in self._valueless:
            return
        try:
            if self._holds(rule.condition) is rule.forbidden:
                self._violate(rule)
        except LogicFault as fault:
            self._valueless.add(rule.text)
            self._error = True
            self._failures.append(self._failure(None, f"the rule `{rule.text}` has no value: {fault}"))

    def _violate(self, rule: Rule) -> None:
        values = tuple((name, self._world.value(name)) for name in rule.condition.names)
        now_ns = self._timeline.now_ns
        changes = self._last_changes(rule.condition.names)
        self._violations[rule.text] = Violation(rule.text, rule.because, now_ns, values, rule.line, changes)

    def _check_logic(self) -> None:
        fault = self._world.stopped
        if fault is not None and self._current is not None:
            self._current.fail(fault)

    def _report_forces(self) -> None:
        for tag in self._world.rack.forces:
            self._failures.append(self._failure(None, f"the force on {tag} was left on at the end"))

    # --- results ---

    def _pass(self, step: Step, start_ns: int, seen: str, seen_ns: int | None = None) -> None:
        at_ns = self._timeline.now_ns if seen_ns is None else seen_ns
        self._steps.append(self._step(step, seen, start_ns, at_ns, Verdict.PASSED))

    def _fail(
        self,
        step: Step,
        start_ns: int,
        sentence: str,
        condition: Condition | None = None,
        verdict: Verdict = Verdict.FAILED,
    ) -> None:
        condition = condition or step.condition
        seen = "" if condition is None else self._seen(condition)
        self._steps.append(self._step(step, seen, start_ns, None, verdict))
        expected = _expected(step)
        names = () if condition is None else condition.names
        self._failures.append(
            Failure(step.number, sentence, expected, seen, self._timeline.now_ns, self._last_changes(names))
        )

    def _failure(self, step: int | None, sentence: str) -> Failure:
        return Failure(step, sentence, "", "", self._timeline.now_ns, ())

    def _step(
        self, step: Step, seen: str, start_ns: int, seen_ns: int | None, verdict: Verdict | None
    ) -> StepResult:
        # what is expected has a column of its own
        text = step.text if step.condition is None else step.verb
        return StepResult(
            step.number, text, step.verb, _expected(step), seen, start_ns, seen_ns, verdict, step.line
        )

    def _seen(self, condition: Condition) -> str:
        return _values_text(tuple((name, self._world.value(name)) for name in condition.names))

    def _last_changes(self, names: tuple[str, ...]) -> tuple[Change, ...]:
        """Of the signals and, for a point, of the device at the other end of its wire."""
        layout = self._world.station.layout
        wanted = list(names)
        for name in names:
            place = layout.find(name)
            if place is not None:
                wanted += self._events_of(place.device)
        return tuple(self._world.trace.last_changes(wanted, 6))

    def _events_of(self, device: str) -> list[str]:
        """What changes in events at a device (`start_button.pressed`) or contact (`clamp.extended`)."""
        signals = self._world.trace.signals()
        own = [name for name in signals if name == device or name.startswith(f"{device}.")]
        return [name for name in own if not self._world.is_analogue(name)]

    def result(self, *, wall_s: float, mode: str, lateness_ns: int | None) -> ScenarioResult:
        """Everything found; call after `main`."""
        done = {step.number for step in self._steps}
        missing = [self._step(s, "", 0, None, None) for s in self._scenario.steps if s.number not in done]
        world = self._world
        verdict = Verdict.FAILED if self._failures or self._violations else Verdict.PASSED
        return ScenarioResult(
            title=self._scenario.title,
            file=self._scenario.file,
            verdict=Verdict.ERROR if self._error else verdict,
            duration_ns=self._timeline.now_ns,
            wall_s=wall_s,
            mode=mode,
            steps=(*self._steps, *missing),
            violations=tuple(self._violations.values()),
            failures=tuple(self._failures),
            forces_left=world.rack.forces,
            notes=self._left_on(),
            trace=world.trace,
            pictured=self._scenario.picture or self._pictured(),
            digest=world.trace.digest(),
            lateness_ns=lateness_ns,
        )

    def _left_on(self) -> tuple[str, ...]:
        """What a person would have to undo before the next try: buttons, overrides and faults."""
        trace, devices = self._world.trace, self._world.station.model.devices
        on = [name for name in trace.signals() if trace.value(name) is True]
        pressed = [name for name in on if name.endswith(".pressed") and name.partition(".")[0] in devices]
        left = [f"{name.removesuffix('.pressed')} is still pressed" for name in pressed]
        for kind in ("override", "fault"):
            left += [
                f"{kind} {n.removeprefix(kind + '.')} is still on" for n in on if n.startswith(f"{kind}.")
            ]
        return tuple(left)

    def _pictured(self) -> tuple[str, ...]:
        """What the scenario speaks of, then the outputs that moved, then the positions that did."""
        trace = self._world.trace
        conditions = [step.condition for step in self._scenario.steps if step.condition is not None]
        conditions += [rule.condition for rule in self._scenario.rules]
        names = [name for step in self._scenario.steps for name in self._tags_of(step)]
        names += [name for condition in conditions for name in condition.names]
        names += [place.tag for place in self._world.station.layout.outputs]
        names += [name for name in trace.signals() if name.endswith("position_mm")]
        moved = [name for name in dict.fromkeys(names) if len(trace.changes(name)) > 1]
        return tuple(moved[:PICTURED])

    def _tags_of(self, step: Step) -> list[str]:
        """The points that a step acts on: by tag, or by the device they are wired to."""
        layout = self._world.station.layout
        device = step.target.removesuffix(".blocked")
        return [p.tag for p in (*layout.inputs, *layout.outputs) if step.target and p.device == device] + [
            p.tag for p in (*layout.inputs, *layout.outputs) if p.tag == step.target
        ]


def _expected(step: Step) -> str:
    if step.condition is None:
        return ""
    return step.text.removeprefix("expect ")


def _values_text(values: tuple[tuple[str, Value], ...]) -> str:
    return ", ".join(f"{name} {_value_text(value)}" for name, value in values)


def _value_text(value: Value) -> str:
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return f"{value:.3f}" if isinstance(value, float) else str(value)
