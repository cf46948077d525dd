"""The run: plant, sensors, person and relay in lockstep, and an account of what happened.

One turn of the loop is one scan interval: what is due happens, the plant steps, the sensors sample it, the
target scans, the outputs act from the next turn on.  A fault that starts at a time is in the plant for the
whole interval that begins then, so the first scan that can see it comes one interval later.

Scans are fine (the scenario's scan_ms) except where a phase asks for coarser ones; even then they are fine for
SETTLE_MS after the phase begins and round everything that happens in it.
"""

from __future__ import annotations

import heapq
import random
import time
from array import array
from typing import Any, Callable, Dict, List, Optional, Tuple

from packwarden.bench import verdict
from packwarden.bench.course import Person
from packwarden.bench.faults import KINDS, Bench
from packwarden.bench.result import (
    EVENT_KINDS,
    MAIN_IS_CLOSED,
    PLUGGED,
    PRECHARGE_IS_CLOSED,
    Change,
    Injected,
    RunResult,
    Switching,
    decode,
)
from packwarden.bench.scenario import Scenario, When
from packwarden.bench.target import CLOCK_START_MS, TICKS, Frame, Target, TargetError

ROW_MS = 100  # interval of trace rows, and of the person's acts
SETTLE_MS = 20000  # scans stay fine this long after a phase begins or something happens
AHEAD_MS = 200  # and are fine again this long before something happens
BROWN_OUT_V, BROWN_IN_V = 5.5, 6.5  # aux supply at which the relay loses its own supply and gets it back
LIVE_V = 60.0
PROGRESS_S = 0.2  # wall time between calls of `progress`

Progress = Callable[[float, float], None]


def run(scenario: Scenario, target: Target, progress: Optional[Progress] = None) -> RunResult:
    """Run a scenario on a target that has not been started; judge it.

    progress(simulated s done, simulated s in all) is called a few times a second of wall time.  Raises PlantError
    when the plant leaves its physical bounds, and TargetError when the target fails or can't do what is asked.
    """
    return Run(scenario, target, progress).go()


class Run:
    """One run in progress."""

    def __init__(self, scenario: Scenario, target: Target, progress: Optional[Progress]) -> None:
        self.scenario = scenario
        self.target = target
        self.progress = progress
        self.seeds = {"plant": scenario.seed, "sensors": scenario.seed + 1, "faults": scenario.seed + 2}
        self.world = world.build(scenario, self.seeds)
        self.bench = Bench(self.world.plant, self.world.sensors, target, random.Random(self.seeds["faults"]))
        self.person = Person()
        self.result = RunResult(scenario, target.name, self.seeds)
        self.result.faults = [Injected(f.kind, f.place, f.size) for f in scenario.faults]
        self.result.inputs = [None] * len(scenario.inputs)
        self.mode = "boot"
        self.fine_until_ms = SETTLE_MS
        self.order = 0
        self.due: List[Tuple[int, int, Callable[[int], None]]] = []
        self.on_mode: Dict[str, List[Tuple[int, Callable[[int], None]]]] = {}
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

    def _at(self, t_ms: int, act: Callable[[int], None]) -> None:
        self.order += 1
        heapq.heappush(self.due, (t_ms, self.order, act))

    def _when(self, when: When, act: Callable[[int], None]) -> None:
        delay_ms = int(round(when.at_s * 1000))
        if when.when_mode is None:
            self._at(delay_ms, act)
        else:
            self.on_mode.setdefault(when.when_mode, []).append((delay_ms, act))

    def _schedule(self) -> None:
        s = self.scenario
        for phase in s.phases:
            self._at(int(round(phase.start_s * 1000)), lambda t_ms, phase=phase: self._begin(phase, t_ms))
        for n, hand in enumerate(s.inputs):
            self._when(hand.when, lambda t_ms, n=n: self._hand(n, t_ms))
        for n in range(len(s.faults)):
            self._when(s.faults[n].when, lambda t_ms, n=n: self._fault(n, t_ms))
        for n, send in enumerate(s.sends):
            self._when(send.when, lambda t_ms, n=n: self._send(n, t_ms))
        for cycle in s.power_cycles:
            off_ms = int(round(cycle.off_s * 1000))
            self._when(cycle.when, lambda t_ms, off_ms=off_ms: self.bench.lose_power(t_ms, off_ms))

    def _begin(self, phase: Any, t_ms: int) -> None:
        self.person.begin(phase, t_ms / 1000.0, self.world.road(phase))
        self.coarse_ms = phase.scan_ms

    def _hand(self, n: int, t_ms: int) -> None:
        hand = self.scenario.inputs[n]
        self.result.inputs[n] = t_ms / 1000.0
        self.bench.hold(hand.name, hand.value)
        if hand.for_s is not None:
            self._at(t_ms + int(round(hand.for_s * 1000)), lambda _t: self.bench.let_go(hand.name))

    def _fault(self, n: int, t_ms: int) -> None:
        fault = self.scenario.faults[n]
        kind = KINDS[fault.kind]
        self.result.faults[n].start_s = t_ms / 1000.0
        self.bench.now_ms = t_ms
        undo = kind.begin(self.bench, fault.place, fault.size)
        if fault.for_s is not None:

            def end(at_ms: int) -> None:
                self.result.faults[n].end_s = at_ms / 1000.0
                self.bench.now_ms = at_ms
                undo()

            self._at(t_ms + int(round(fault.for_s * 1000)), end)

    def _send(self, n: int, t_ms: int) -> None:
        send = self.scenario.sends[n]
        data = self.bench.command(send.command) if send.command else (send.raw or "").encode("ascii")
        self.bench.to_send.extend([data] * send.count)

    # -- the loop ---------------------------------------------------------------------------------------

    def go(self) -> RunResult:
        """Run to the end, then judge."""
        started = time.perf_counter()
        self.target.start(self.world.image, CLOCK_START_MS & TICKS)
        try:
            self._loop()
        finally:
            self.target.close()
        self.result.wall_s = time.perf_counter() - started
        self._account()
        self.result.verdicts = verdict.judge(self.result)
        return self.result

    def _loop(self) -> None:
        # Locals throughout: beside the plant and the relay, this loop is what a campaign spends its time in.
        s, bench, person, result = self.scenario, self.bench, self.person, self.result
        plant, commands = self.world.plant, self.world.commands
        step, sample, scan = plant.step, self.world.sensors.sample, self.target.scan
        main, precharge = plant.main, plant.precharge
        tally = self.tally
        frame = Frame()
        counts = frame.counts
        n = s.spec.n_modules
        fine_ms = s.scan_ms
        end_ms = int(round(s.end_s * 1000))
        due = self.due
        chunks: List[bytes] = []
        changes = result.changes
        t_ms = row_ms = sent = scans = first = 0
        key = -1
        was_closed = False
        raw = person.raw
        plug = 0
        low_v, high_v, peak_a = 1e9, -1e9, 0.0
        commands.ambient_c = s.ambient_c

        while t_ms < end_ms:
            # What is due.
            while due and due[0][0] <= t_ms:
                act = heapq.heappop(due)[2]
                act(t_ms)
                self.fine_until_ms = max(self.fine_until_ms, t_ms + SETTLE_MS)
                row_ms = t_ms  # the person sees it at once, and a row marks the moment
            if t_ms >= row_ms:
                row_ms = t_ms + ROW_MS
                person.act(t_ms / 1000.0, bench.out_bits)
                bench.look(t_ms)
                commands.demand_w = person.demand_w
                raw, plugged = bench.hands(person.raw, person.plugged)
                commands.mains = plugged
                plug = PLUGGED if plugged else 0
                tally.row(t_ms, low_v, high_v, peak_a, bench)
                low_v, high_v, peak_a = 1e9, -1e9, 0.0
            # One interval: fine, or coarse in the quiet of a phase that asks for it.
            gap_ms = fine_ms
            if self.coarse_ms > fine_ms and t_ms >= self.fine_until_ms and not bench.busy:
                if (due[0][0] if due else end_ms) - AHEAD_MS - t_ms >= self.coarse_ms:
                    gap_ms = self.coarse_ms
            if t_ms + gap_ms > end_ms:
                gap_ms = end_ms - t_ms
            dt_s = gap_ms * 0.001
            commands.out_bits = bench.out_bits
            commands.limit_permille = bench.limit_permille
            before_a = plant.i_a
            step(dt_s, commands)
            t_ms += gap_ms
            # What the plant did.
            volts = plant.module_v
            i_a = plant.i_a
            v = min(volts)
            if v < low_v:
                low_v = v
            if v < 0.0 < i_a:
                tally.reversed(volts, i_a * dt_s)
            v = max(volts)
            if v > high_v:
                high_v = v
            size_a = i_a if i_a >= 0.0 else -i_a
            if size_a > peak_a:
                peak_a = size_a
            closed = main.closed
            if closed != was_closed:
                was_closed = closed
                tally.switched(t_ms, closed, before_a if not closed else i_a)
            if gap_ms > ROW_MS or closed or plug:
                tally.span(dt_s, closed, plug)
            # The relay, when it scans.
            if t_ms < bench.no_scan_until_ms:
                if not bench.powered:
                    bench.out_bits = bench.limit_permille = 0
            else:
                if not bench.powered:
                    self._power_up()
                fresh_n = n if gap_ms >= ROW_MS else -(-n * gap_ms // 100)
                sample(counts, first, fresh_n)
                if bench.meddle:
                    bench.meddle_with(counts, first, fresh_n)
                frame.now_ms = (CLOCK_START_MS + t_ms - bench.clock_behind(t_ms, gap_ms)) & TICKS
                frame.scan_ms = gap_ms
                inputs = raw | MAINAUX if main.aux_closed else raw
                frame.discretes = inputs & ~bench.force_open | bench.force_closed
                frame.first, frame.fresh_n = first, fresh_n
                frame.absent = bench.absent
                frame.rx = bench.bytes_in(gap_ms) if bench.talking else b""
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
                    result.arrivals.append((sent, t_ms / 1000.0))
                    chunks.append(tx)
                    sent += len(tx)
                    if b"change " in tx:
                        self._follow_mode(tx, t_ms)
                if bench.pace_ms:
                    bench.no_scan_until_ms = t_ms + bench.pace_ms
            now = bench.out_bits | plug
            if closed:
                now |= MAIN_IS_CLOSED
            if precharge.closed:
                now |= PRECHARGE_IS_CLOSED
            if now != key:
                key = now
                changes.append(Change(t_ms / 1000.0, now))
        tally.row(t_ms, low_v, high_v, peak_a, bench)
        result.lines = b"".join(chunks)
        result.scans = scans
        result.simulated_s = t_ms / 1000.0
