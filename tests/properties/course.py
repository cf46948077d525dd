"""What hands, faults, time and the wire can do to a world, one act at a time, with the oracle looking at every scan.

A history is a list of [act, arguments...]: plain data, so that it can be written down and played again.
"""

import json
from collections import Counter

from oracle import Oracle
from rig import HEALTHY, image
from world import World

from warden import modes, settings
from warden.modes import CHARGER, ENABLE, KEY, PEDAL, RESET, START, TRIPLAMP, UNPLUG

CODE = 4711
INPUTS = {
    name: getattr(modes, name.upper())
    for name in ("key", "start", "unplug", "interlock", "estop", "crash", "service", "reset", "pedal")
}


class Course:
    """A world, its oracle, and the history of what was done."""

    def __init__(self, n=12, wrap_in_ms=4000, met=None, modes_seen=None, **changes):
        changes.setdefault("reset_code", CODE)
        self.setup = {"n": n, "wrap_in_ms": wrap_in_ms, **changes}
        self.world = World(n, wrap_in_ms, **changes)
        self.oracle = Oracle(self.world, met)
        self.modes_seen = Counter() if modes_seen is None else modes_seen
        self.transitions = Counter()
        self.operated = Counter()
        self.history = []
        self.req = 0
        self.digest = "0"
        self.replies = []
        self.staged = {}
        self.steps = self.scans = 0

    # -- playing ----------------------------------------------------------------------------------------

    def do(self, act, *args):
        """One act, remembered first so that a violation tells it."""
        self.history.append([act, *args])
        self.steps += 1
        self.world.heard.append((self.world.scans, "do %s %s" % (act, " ".join(map(str, args)))))
        getattr(self, "act_" + act)(*args)
        if act not in ("wait", "trips"):
            self.world.touch()

    def play(self, history):
        """Each act of a history."""
        for act, *args in history:
            self.do(act, *args)
        return self

    def written(self):
        """Setup and history as text that `replay` reads."""
        return json.dumps({"setup": self.setup, "history": self.history})

    def scan(self, late_ms=0, stopped=False):
        """One scan of the relay, seen by the oracle."""
        world = self.world
        world.scan(late_ms, stopped)
        self.scans += 1
        for line in world.said:
            kind = line[:5]
            if kind == "reply":
                self.replies.append(dict(w.split("=", 1) for w in line.partition("*")[0].split(" ")[2:]))
            elif kind == "chang":
                self.transitions[" ".join(line.partition("*")[0].split(" ")[3:])] += 1
            elif kind == "event" and " on=1 " in line:
                self.operated["/".join(w.split("=")[1] for w in line.split(" ")[3:5])] += 1
        self.modes_seen[world.mode] += 1
        self.oracle.scanned(late_ms, stopped)

    def run(self, ms):
        """Scan for so long."""
        for _ in range(ms // 10):
            self.scan()

    def until(self, bits, limit_ms):
        """Scan until one of these outputs is on, or a trip lamp, or the time is over."""
        for _ in range(limit_ms // 10):
            self.scan()
            if self.world.board.out_bits & (bits | TRIPLAMP):
                return

    # -- hands ------------------------------------------------------------------------------------------

    def act_wait(self, ms):
        self.run(ms)

    def act_input(self, name, on, ms=60):
        bit = INPUTS[name]
        self.world.inputs = self.world.inputs | bit if on else self.world.inputs & ~bit
        self.world.touch()
        self.run(ms)

    def act_bounce(self, name, scans):
        """The input changes after each of these numbers of scans."""
        for n in scans:
            self.world.inputs ^= INPUTS[name]
            self.world.touch()
            self.run(10 * n)

    def act_start(self):
        world = self.world
        world.inputs = (world.inputs & ~START) | KEY | PEDAL | UNPLUG
        world.touch()
        hold_ms = world.set["unplug_hold_ms"] + 400 - self.oracle.since_plug_ms
        self.run(max(450, world.set["made_ms"] + 100, hold_ms))
        world.inputs |= START
        self.until(ENABLE, 2000)
        world.inputs &= ~START
        world.touch()
        self.run(300)

    def act_stop(self):
        self.world.inputs &= ~(KEY | START)
        self.world.touch()
        self.run(600)

    def act_plug(self, ms=3000):
        """Plugged in with the link let down, as after a while of standing."""
        world = self.world
        world.inputs &= ~(UNPLUG | KEY | START)
        if not world.closed:
            world.link_mv = min(world.link_mv, world.set["link_dead_mv"] // 2)
        world.touch()
        self.until(CHARGER, ms)
        self.run(300)

    def act_unplug(self):
        self.world.inputs |= UNPLUG
        self.world.touch()
        self.run(400)

    def act_reset(self, ms=1200):
        world = self.world
        world.inputs &= ~RESET
        self.run(100)
        world.inputs = (world.inputs | RESET) & ~(KEY | START)
        world.touch()
        self.run(ms)
        world.inputs &= ~RESET
        self.run(100)

    def act_heal(self):
        """Everything mended, key off, unplugged; what was latched stays so."""
        world = self.world
        world.mend()
        world.inputs = HEALTHY
        world.touch()
        self.run(world.set["clear_ms"] + 800)

    def act_recover(self):
        """Mended, and reset the way a person does it; a new image where the memory was damaged."""
        leaky = self.world.leak is not None
        self.act_heal()
        if leaky:
            self.run(4 * self.world.set["iso_phase_ms"] + self.world.set["iso_delay_ms"])
        if self.oracle.damaged or self.oracle.truth.damage:
            self.act_service()
        if self.oracle.latched:
            self.act_reset(self.world.set["reset_hold_ms"] + 300)

    def act_service(self):
        """A new image in the memory, and power."""
        world = self.world
        fresh = image(**world.changes)
        world.board.nv[:] = bytes(len(world.board.nv))
        world.board.nv[: len(fresh)] = fresh
        for name, value in world.changes.items():
            if name in world.set:
                world.set[name] = value
        self.oracle.damaged = self.oracle.truth.damage = False
        self.oracle.latched = False
        self.oracle.first_trip = None
        self.act_power()

    # -- the world --------------------------------------------------------------------------------------

    def act_load(self, ma, ms=200):
        self.world.load_ma = ma
        self.world.touch()
        self.run(ms)

    def act_pulse(self, ma, on_ms, times):
        """A load that comes and goes."""
        for n in range(2 * times):
            self.world.load_ma = 0 if n % 2 else ma
            self.world.touch()
            self.run(on_ms)

    def act_charge_ma(self, ma):
        self.world.charge_ma = ma

    def act_cell(self, k, emf_mv, ohm_u=5000, ms=200):
        k %= self.world.n
        self.world.emf_mv[k], self.world.ohm_u[k] = emf_mv, ohm_u
        self.world.touch()
        self.run(ms)

    def act_cells(self, emf_mv, ohm_u=5000, ms=200):
        self.world.emf_mv = [emf_mv] * self.world.n
        self.world.ohm_u = [ohm_u] * self.world.n
        self.world.touch()
        self.run(ms)

    def _box(self, name, b, value, ms):
        getattr(self.world, name)[b % self.world.boxes] = value
        self.world.touch()
        self.run(ms)

    def act_temp(self, b, temp_c, ms=200):
        self._box("temp_c", b, temp_c, ms)

    def act_probe(self, b, fault, ms=200):
        self._box("probe", b, fault, ms)

    def act_ref(self, b, permille, ms=200):
        self._box("ref_off", b, permille, ms)

    def act_lead(self, k, fault, ms=200):
        self.world.lead[k % self.world.n] = fault
        self.world.touch()
        self.run(ms)

    def act_head(self, b, silent, ms=200):
        bit = 1 << b % self.world.boxes
        self.world.absent = self.world.absent | bit if silent else self.world.absent & ~bit
        self.world.touch()
        self.run(ms)

    def act_thing(self, name, value, ms=200):
        """Any other plain property of the world."""
        assert name in (
            "sensor", "string_off_mv", "leak", "aux_mv", "main_stuck", "main_works", "chatter_scans",
            "contact_says", "link_fault", "precharge_ms", "deaf",
        )  # fmt: skip
        setattr(self.world, name, value)
        self.world.touch()
        self.run(ms)

    # -- time and power ---------------------------------------------------------------------------------

    def act_late(self, ms, times=1):
        for _ in range(times):
            self.scan(late_ms=ms)
        self.run(100)

    def act_stall(self, scans):
        for _ in range(scans):
            self.scan(stopped=True)
        self.run(50)

    def act_power(self, ms=100):
        """Power goes and comes back."""
        self.world.boot()
        self.oracle.powered_up()
        self.replies = []
        self.run(ms)

    def act_flip_bit(self, at):
        """A bit of the memory turns over, and the power goes."""
        nv = self.world.board.nv
        at %= 8 * len(nv)
        nv[at // 8] ^= 1 << at % 8
        self.oracle.truth.damage = True
        self.oracle.damaged = self.oracle.damaged or at // 8 < settings.IMAGE_BYTES - 2
        self.act_power(1500)

    # -- the wire ---------------------------------------------------------------------------------------

    def ask(self, text, right_code=False, ms=150):
        """A whole command, with the number in it; its reply, or None."""
        self.req = self.req % 900000 + 1
        word, _, rest = text.partition(" ")
        text = ("%s %d %s" % (word, self.req, rest)).rstrip()
        self.oracle.sent(self.req, text, right_code)
        self.world.send(text)
        self.run(ms)
        mine = [r for r in self.replies if r["req"] == str(self.req)]
        self.replies = []
        return mine[-1] if mine else None

    def act_say(self, text):
        self.ask(text)

    def act_bytes(self, text):
        """Anything but a whole command."""
        self.world.give(bytes(text, "latin-1") + b"\n")
        self.run(60)

    def act_set(self, name, value):
        """Both steps of a change of settings."""
        if self.oracle.truth.damage:
            return  # would mend the memory with settings that are not this pack's
        reply = self.ask("set name=%s value=%d" % (name, value))
        if reply and reply["status"] == "ok":
            self.staged[name] = value
            self.digest = reply["digest"]
        self.act_apply()

    def act_apply(self):
        """Put what is staged into use, with the digest that was told."""
        if self.oracle.truth.damage:
            return
        reply = self.ask("apply digest=%s" % self.digest)
        if reply and reply["status"] == "ok":
            self.world.set.update(self.staged)
            self.staged = {}

    def act_clear(self, right=True):
        self.ask("clear code=%d" % (CODE if right else CODE + 1), right_code=right)

    def act_trips(self):
        """Read the journal."""
        first = self.oracle.first_trip
        self.ask("list what=trips", ms=2500)
        self.oracle.listed(first)


def replay(text, **watched):
    """Play what `written` wrote."""
    told = json.loads(text)
    course = Course(**told["setup"], **watched)
    return course.play(told["history"])
