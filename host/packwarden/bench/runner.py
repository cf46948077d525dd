"""The run: plant, sensors, person and relay in lockstep, and an account of what happened.

One turn of the loop is one scan interval: what is due happens, the plant steps, the sensors sample it, the
target scans, the outputs act from the next turn on.  A fault that starts at a time is in the plant for the
whole interval that begins then, so the first scan that can see it comes one interval later.

Scans are fine (the scenario's scan_ms) except where a phase asks for coarser ones; even then they are fine
for SETTLE_MS after the phase begins, round everything that happens in it, and whenever the plant stirs.
"""

from __future__ import annotations

import heapq
import random
import time
from typing import Callable, Dict, List, Optional, Tuple

from packwarden.bench import verdict
from packwarden.bench.context import Bench
from packwarden.bench.course import KEY, MAINAUX, Person
from packwarden.bench.faults import KINDS
from packwarden.bench.plan import Phase, Scenario, When
from packwarden.bench.result import (
    EVENT_KINDS,
    MAIN_IS_CLOSED,
    PLUGGED,
    POWER,
    PRECHARGE_IS_CLOSED,
    Change,
    Injected,
    RunResult,
    counters,
    decode,
)
from packwarden.bench.tally import Tally
from packwarden.bench.target import CLOCK_START_MS, TICKS, Frame, Target, TargetError
from packwarden.bench.world import World

ROW_MS = 100  # interval of trace rows, and of the person's acts
SETTLE_MS = 20000  # scans stay fine this long after a phase begins or something happens
AHEAD_MS = 200  # and are fine again this long before something happens
STIR = 0.01  # the string's voltage moved by this part in one coarse scan: the quiet is over
PROGRESS_S = 0.2  # wall time between calls of `progress`

Progress = Callable[[float, float], None]
Act = Callable[[int], None]  # what happens, at a time in ms


def run(scenario: Scenario, target: Target, progress: Optional[Progress] = None) -> RunResult:
    """Run a scenario on a target that has not been started; judge it.

    progress(simulated s done, simulated s in all) is called a few times a second of wall time.  Raises
    PlantError when the plant leaves its physical bounds, and TargetError when the target fails or can't do
    what is asked.
    """
    return Run(scenario, target, progress).go()


class Run:
    """One run in progress."""

    def __init__(self, scenario: Scenario, target: Target, progress: Optional[Progress]) -> None:
        self.scenario = scenario
        self.target = target
        self.progress = progress
        self.seeds = {"plant": scenario.seed, "sensors": scenario.seed + 1, "faults": scenario.seed + 2}
        self.world = World(scenario, self.seeds)
        self.bench = Bench(self.world.plant, self.world.sensors, target, random.Random(self.seeds["faults"]))
        self.bench.scan_ms = scenario.scan_ms
        self.person = Person(self.world.driver)
        self.result = RunResult(scenario, target.name, self.seeds)
        self.result.faults = [Injected(f.kind, f.place, f.size) for f in scenario.faults]
        self.result.inputs = [None] * len(scenario.inputs)
        self.result.clock = self.bench.clock_points
        self.tally = Tally(self.world, self.result)
        self.coarse_ms = scenario.scan_ms
        self.fine_until_ms = SETTLE_MS
        self.order = 0
        self.due: List[Tuple[int, int, Act]] = []
        self.on_mode: Dict[str, List[Tuple[int, Act]]] = {}
        self._check_target()
        self._schedule()

    def _check_target(self) -> None:
        """Refuse at once what this target can't do: nothing is ignored."""
        needs = [(KINDS[f.kind].needs, "fault %s" % f.kind) for f in self.scenario.faults]
        needs += [("power", "power_cycle")] * bool(self.scenario.power_cycles)
        needs += [("serial", "send")] * bool(self.scenario.sends)
        for need, what in needs:
            if need and need not in self.target.can:
                raise TargetError("%s can't do %s: it has no %s" % (self.target.name, what, need))

    # -- what is due when -------------------------------------------------------------------------------

    def _at(self, t_ms: int, act: Act) -> None:
        self.order += 1
        heapq.heappush(self.due, (t_ms, self.order, act))

    def _when(self, when: When, act: Act) -> None:
        delay_ms = int(round(when.at_s * 1000))
        if when.when_mode is None:
            self._at(delay_ms, act)
        else:
            self.on_mode.setdefault(when.when_mode, []).append((delay_ms, act))

    def _schedule(self) -> None:
        s = self.scenario
        for phase in s.phases:
            self._at(_ms(phase.start_s), self._phase(phase))
        for n in range(len(s.inputs)):
            self._when(s.inputs[n].when, self._hand(n))
        for n in range(len(s.faults)):
            self._when(s.faults[n].when, self._fault(n))
        for send in s.sends:
            self._when(send.when, self._send(send.command, send.raw, send.count))
        for cycle in s.power_cycles:
            self._when(cycle.when, self._power(_ms(cycle.off_s)))

    def _phase(self, phase: Phase) -> Act:
        def act(t_ms: int) -> None:
            self.coarse_ms = phase.scan_ms
            self.person.begin(phase, t_ms / 1000.0, self.world.set_out(phase))

        return act

    def _hand(self, n: int) -> Act:
        hand = self.scenario.inputs[n]

        def act(t_ms: int) -> None:
            self.result.inputs[n] = t_ms / 1000.0
            self.bench.held[hand.name] = hand.value
            if hand.for_s is not None:
                self._at(t_ms + _ms(hand.for_s), lambda _t: self.bench.let_go(hand.name))

        return act

    def _fault(self, n: int) -> Act:
        fault = self.scenario.faults[n]
        record = self.result.faults[n]

        def act(t_ms: int) -> None:
            record.start_s = t_ms / 1000.0
            undo = KINDS[fault.kind].begin(self.bench, fault.place, fault.size)

            def end(end_ms: int) -> None:
                record.end_s = end_ms / 1000.0
                undo()

            if fault.for_s is not None:
                self._at(t_ms + _ms(fault.for_s), end)

        return act

    def _send(self, command: Optional[str], raw: Optional[str], count: int) -> Act:
        def act(_t: int) -> None:
            for _ in range(count):
                self.bench.to_send.append(
                    self.bench.command(command) if command else (raw or "").encode("ascii")
                )

        return act

    def _power(self, off_ms: int) -> Act:
        return lambda t_ms: self.bench.lose_power(t_ms, off_ms)

    def _follow_mode(self, tx: bytes, t_ms: int) -> None:
        """Something that waits for a mode may be due."""
        for line in decode(tx, ("change",), self.result.clock):
            for delay_ms, act in self.on_mode.pop(line.fields["to"], ()) if line else ():
                self._at(t_ms + delay_ms, act)

    # -- the loop ---------------------------------------------------------------------------------------

    def go(self) -> RunResult:
        """Run to the end, then judge."""
        result = self.result
        started = time.perf_counter()
        self.target.start(self.world.image, CLOCK_START_MS & TICKS)
        try:
            self._loop()
        finally:
            self.target.close()
        result.wall_s = time.perf_counter() - started
        for line in decode(result.lines, EVENT_KINDS, result.clock, result.arrivals):
            if line is None:
                result.spoilt += 1
            else:
                result.events.append(line)
        result.counters = counters(result_tail(result.lines), result.clock)
        self.tally.finish()
        result.verdicts = verdict.judge(result)
        return result

    def _loop(self) -> None:
        # Locals throughout: beside the plant and the relay, this loop is what a campaign spends its time in.
        s, bench, person, result = self.scenario, self.bench, self.person, self.result
        plant, commands, tally = self.world.plant, self.world.commands, self.tally
        bus = plant.bus
        step, sample, scan = plant.step, self.world.sensors.sample, self.target.scan
        sensors, main, precharge = self.world.sensors, plant.main, plant.precharge
        frame = Frame()
        counts = bench.counts = frame.counts
        n, fine_ms, end_ms = s.spec.n_modules, s.scan_ms, _ms(s.end_s)
        due, changes = self.due, result.changes
        chunks: List[bytes] = []
        t_ms = row_ms = acted_ms = sent = scans = first = plug = 0
        key = -1
        was_closed = False
        raw = person.raw
        low_v, high_v, peak_a, power_ws = 1e9, -1e9, 0.0, 0.0
        told = time.perf_counter()

        while t_ms < end_ms:
            # What is due.
            bench.now_ms = t_ms
            while due and due[0][0] <= t_ms:
                heapq.heappop(due)[2](t_ms)
                self.fine_until_ms = max(self.fine_until_ms, t_ms + SETTLE_MS)
                row_ms = t_ms  # the person sees it at once, and a row marks the moment
            if t_ms >= row_ms:
                row_ms = t_ms + ROW_MS
                passed_s = (t_ms - acted_ms) * 0.001
                acted_ms = t_ms
                person.act(t_ms * 0.001, passed_s, bench.out_bits, power_ws / passed_s if passed_s else 0.0)
                power_ws = 0.0
                bench.watch_supply()
                raw, plugged = bench.hands(person.raw, person.plugged)
                commands.demand_w = person.demand_w
                commands.mains = plugged
                commands.key = raw & KEY != 0
                plug = PLUGGED if plugged else 0
                if t_ms:
                    tally.row(t_ms * 0.001, low_v, high_v, peak_a, bench.out_bits, bench.limit_permille)
                    low_v, high_v, peak_a = 1e9, -1e9, 0.0
                if self.progress is not None and time.perf_counter() - told > PROGRESS_S:
                    told = time.perf_counter()
                    self.progress(t_ms * 0.001, s.end_s)
            for come_and_go in bench.each:
                come_and_go()
            # One interval: fine, or coarse in the quiet of a phase that asks for it.
            gap_ms = fine_ms
            if self.coarse_ms > fine_ms and t_ms >= self.fine_until_ms and not bench.busy():
                if (due[0][0] if due else end_ms) - AHEAD_MS - t_ms >= self.coarse_ms:
                    gap_ms = self.coarse_ms
            if t_ms + gap_ms > end_ms:
                gap_ms = end_ms - t_ms
            dt_s = gap_ms * 0.001
            commands.out_bits = bench.out_bits
            commands.limit_permille = bench.limit_permille
            before_a, before_v, string_v, outs = plant.i_a, bus.link_v, plant.string_v, bench.out_bits
            step(dt_s, commands)
            t_ms += gap_ms
            # What the plant did.
            volts = plant.module_v
            i_a = plant.i_a
            least_v = 1e9
            for v in volts:
                if v < least_v:
                    least_v = v
                if v > high_v:
                    high_v = v
            if least_v < low_v:
                low_v = least_v
            if least_v < 0.0 < i_a:
                tally.reversed(volts, i_a * dt_s)
            size_a = i_a if i_a >= 0.0 else -i_a
            if size_a > peak_a:
                peak_a = size_a
            power_ws += bus.power_w * dt_s
            closed = main.closed
            if closed != was_closed:
                was_closed = closed
                tally.switched(t_ms * 0.001, closed, i_a if closed else before_a, before_v)
            if closed or plug:
                tally.span(dt_s, closed, plug != 0)
            # The relay, when it has power and scans.
            if t_ms < bench.no_scan_until_ms or not bench.powered and bench.dead():
                if not bench.powered:
                    bench.out_bits = bench.limit_permille = 0
            else:
                if not bench.powered:
                    bench.power_up()
                fresh_n = n if gap_ms >= ROW_MS else -(-n * gap_ms // ROW_MS)
                sample(counts, first, fresh_n)
                ticks = t_ms - bench.clock_behind(t_ms, gap_ms)
                frame.now_ms = (CLOCK_START_MS + ticks) & TICKS
                frame.scan_ms = gap_ms
                frame.discretes = (
                    raw | MAINAUX if main.aux_closed else raw
                ) & ~bench.force_open | bench.force_closed
                frame.first, frame.fresh_n, frame.absent = first, fresh_n, sensors.absent
                frame.rx = bench.bytes_in(gap_ms) if bench.to_send or bench.flood else b""
                frame.drain = bench.drain
                reply = scan(frame)
                scans += 1
                first += fresh_n
                if first >= n:
                    first -= n
                bench.out_bits = reply.out_bits
                bench.limit_permille = reply.limit_permille
                tx = reply.tx
                if tx:
                    result.arrivals.append((sent, t_ms * 0.001))
                    chunks.append(tx)
                    sent += len(tx)
                    if self.on_mode and b"change " in tx:
                        self._follow_mode(tx, t_ms)
                if bench.pace_ms:
                    bench.no_scan_until_ms = t_ms + bench.pace_ms
            if gap_ms > fine_ms and (
                abs(plant.string_v - string_v) > STIR * string_v or (bench.out_bits ^ outs) & POWER
            ):
                self.fine_until_ms = t_ms + SETTLE_MS
            now = bench.out_bits | plug
            if closed:
                now |= MAIN_IS_CLOSED
            if precharge.closed:
                now |= PRECHARGE_IS_CLOSED
            if now != key:
                key = now
                changes.append(Change(t_ms * 0.001, now))
        tally.row(t_ms * 0.001, low_v, high_v, peak_a, bench.out_bits, bench.limit_permille)
        result.lines = b"".join(chunks)
        result.scans = scans
        result.simulated_s = t_ms * 0.001


def _ms(s: float) -> int:
    return int(round(s * 1000))


def result_tail(lines: bytes) -> bytes:
    """The last minute or so of a stream: where the last counters are."""
    return lines[max(0, len(lines) - 400000) :]
