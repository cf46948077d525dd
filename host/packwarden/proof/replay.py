"""From a broken property to a scenario that shows it on the bench.

Probes are ordinary scenarios that hold on a sound relay: those in probes/, each naming on its first line the properties
that it can show, and those made here of every protection required.  For a broken property they are run on the relay as
it is, the likeliest first, until one does not hold: that one is the counterexample, and anybody can run it again.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Callable, Iterator, Optional

from packwarden.bench import runner, scenario
from packwarden.bench.inprocess import InProcess
from packwarden.bench.target import TargetError
from packwarden.errors import InputError
from packwarden.plant.plant import PlantError
from packwarden.proof.table_required import REQUIRED, Required

PROBES = Path(__file__).parent / "probes"
PACK = "orchard-truck"
FAULT_S = {"rest": 6, "drive": 14, "charge": 14, "full": 14, "start": 0, "cycle": 30, "again": 5, "long": 4, "off": 0}
TRIPS = ("staged", "open")

COURSES = {
    "rest": '[[course]]\ndo = "park"\nfor_s = 26\n',
    "drive": '[[course]]\ndo = "drive"\npower_w = 9000\nfor_s = 34\n',
    "charge": '[[course]]\ndo = "charge"\nfor_s = 34\n',
    "start": '[[course]]\ndo = "drive"\nspeed_kmh = 30\nfor_s = 16\n',
    "cycle": '[[course]]\ndo = "drive"\ncycle = "udds"\nfor_s = 240\n',
    "again": '[[course]]\ndo = "park"\nfor_s = 14\n',
    "long": '[[course]]\ndo = "idle"\nfor_s = 50\n',
    "full": '[start]\ncharge_state = 1.0\n\n[[course]]\ndo = "charge"\nfor_s = 60\n',
    "off": '[settings]\ne60_on = 0\n\n[[course]]\ndo = "park"\nfor_s = 6\n',
}


@dataclass(frozen=True)
class Probe:
    """A scenario by its text.  `shows`: numbers of properties; `row`: the element row that it is about, or empty."""

    name: str
    text: str
    shows: tuple[str, ...]
    row: str = ""


def written() -> Iterator[Probe]:
    """The probes of probes/."""
    for path in sorted(PROBES.glob("*.toml")):
        text = path.read_text(encoding="utf-8")
        head, _, rest = text.partition("\n")
        words = head.split()
        if words[:2] != ["#", "shows"] or len(words) < 3:
            raise InputError(path, "first line", head, "`# shows` and the numbers of properties")
        yield Probe(path.stem, rest, tuple(words[2:]))


def made() -> Iterator[Probe]:
    """A probe for each fault that a protection required is shown by, and one for its lockout."""
    for need in REQUIRED:
        for word in filter(None, (w.strip() for w in need.shown.split(";"))):
            yield _probe(need, word)
            stays = word.split()[0] in ("rest", "drive", "charge")  # a fault that outlives the lockout
            if stays and need.asks in TRIPS and "lockout" in need.modes.split():
                yield _probe(need, word, keeps=True)


def _probe(need: Required, word: str, keeps: bool = False) -> Probe:
    """One probe.  `keeps`: the cause stays and reset is pressed, so the lockout must stay, too."""
    course, _, rest = word.partition(" ")
    rest, _, slack = rest.partition(" +")  # faults that take their time: so many ms more
    place, _, size = rest.partition("=")
    kind, _, at = place.partition("@")
    name = "%s-%s-%s%s" % (need.row.replace("/", "-").lower(), course, kind.replace("_", "-") or "setting",
                           "-kept" if keeps else "")  # fmt: skip
    about = "%s (%s): %s" % (need.row, need.name, word)
    out = ['[scenario]\nname = "%s"\nabout = "%s"\npack = "%s"\n' % (name, about, PACK), COURSES[course]]
    if keeps:
        out.append('[[course]]\ndo = "reset"\nfor_s = 9\n\n[[course]]\ndo = "park"\nname = "end"\nfor_s = 3\n')
    if kind:
        fault = '[[fault]]\nat_s = %d\nkind = "%s"\n' % (FAULT_S[course], kind)
        if at:
            fault += "%s = %s\n" % ("box" if need.watches == "box" else "module", at)
        out.append(fault + ("size = %s\n" % size if size else ""))
    if course == "again":
        out.append("[[power_cycle]]\nat_s = 6\noff_s = 0.5\n")
    clause = "trip" if need.asks in TRIPS else "alarm"
    within = "fault = 1\nwithin_ms = %d\n" % (need.budget_ms + int(slack or 0)) if kind else ""
    if course == "again":
        within = ""
    if keeps:
        out.append('[[expect]]\nhappens = "lockout"\n\n[[expect]]\nmode = "lockout"\n')
    elif need.row not in {"%s/%s" % (r[0], r[1]) for r in scenario.ELEMENTS}:
        # The row is gone, so no expectation can name it: what it would have done does not happen.
        told = "safe = true\n" + within if clause == "trip" and course == "drive" else 'happens = "%s"\n' % (
            "lockout" if clause == "trip" else "alarm")  # fmt: skip
        out.append("[[expect]]\n" + told)
    else:
        out.append('[[expect]]\n%s = "%s"\n%s' % (clause, need.row, within))
        if not at and need.watches != "string":
            return Probe(name, "\n".join(out), _numbers(need), need.row)
        # A row that is there twice says so twice.
        number, _, stage = need.row.partition("/")
        told = "event el=%s stage=%s on=1%s" % (number, stage, " ix=%s" % at if at else "")
        out.append('[[expect]]\nline = "%s"\nat_most = 1\n' % told)
    return Probe(name, "\n".join(out), _numbers(need), need.row)


def _numbers(need: Required) -> tuple[str, ...]:
    return ("5.2", "6.2") if need.row.startswith("M") else ("5.2",)


def probes() -> list[Probe]:
    """Every probe."""
    return [*written(), *made()]


def runs(probe: Probe) -> tuple[bool, str]:
    """Whether a probe holds on the relay as it is in-process, and the first thing that does not."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / (probe.name + ".toml")
        path.write_text(probe.text, encoding="utf-8")
        loaded = scenario.load(path)
    try:
        result = runner.run(loaded, InProcess())
    except (PlantError, TargetError) as error:
        return False, str(error)
    except Exception as error:  # a relay that stops on the way is a relay that does not hold
        return False, "the relay stopped: %s: %s" % (type(error).__name__, error)
    for verdict in result.verdicts:
        if not verdict.held:
            return False, "%s: %s" % (verdict.text, verdict.measured)
    return True, ""


@dataclass(frozen=True)
class Shown:
    """A counterexample: the probe, what did not hold, and where its file is."""

    probe: Probe
    broke: str


class Bench:
    """Runs probes, each once, and remembers what came of it."""

    def __init__(self) -> None:
        self.probes = probes()
        self.known: dict[str, tuple[bool, str]] = {}

    def counterexample(self, number: str, rows: tuple[str, ...], tell: Callable[[str], None]) -> Optional[Shown]:
        """The first probe that does not hold: about these element rows, then of this property, then the others."""
        about = [p for p in self.probes if p.row and p.row in rows]
        wanted = [p for p in self.probes if number in p.shows and not p.row]
        rest = [p for p in self.probes if p not in about and p not in wanted and not p.row]
        for probe in about + wanted + rest:
            if probe.name not in self.known:
                tell(probe.name)
                self.known[probe.name] = runs(probe)
            held, broke = self.known[probe.name]
            if not held:
                return Shown(probe, broke)
        return None


def write(shown: Shown, number: str, finding: str, folder: Path) -> Path:
    """The scenario's file, with what it shows at its head."""
    folder.mkdir(parents=True, exist_ok=True)
    name = "property-%s-%s" % (number, shown.probe.name)
    path = folder / (name + ".toml")
    head = ["Property %s is broken: %s" % (number, finding), "On the bench: %s" % shown.broke]
    text = "".join("# %s\n" % " ".join(line.split()) for line in head)
    named = shown.probe.text.replace('name = "%s"' % shown.probe.name, 'name = "%s"' % name, 1)
    path.write_text(text + named, encoding="utf-8")
    return path
