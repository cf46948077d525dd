"""The table of topics, and the run over them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Sequence

from packwarden.sizing import charging, coil, drive, isolation, power, precharge, sensing
from packwarden.sizing.job import Job
from packwarden.sizing.result import Report, worst


@dataclass(frozen=True)
class Topic:
    """A group of results that a person asks for by name."""

    name: str
    about: str
    make: Callable[[Job], Report]


TOPICS = (
    Topic("taps", "sense divider, filter, and the error of every tap and module", sensing.taps),
    Topic("thresholds", "what that error does to every stage of 27, 59 and 60", sensing.thresholds),
    Topic("converter", "16 bits or 12", sensing.converter),
    Topic("sense_lead", "fuse and wire of a sense lead", power.sense_lead),
    Topic("precharge", "precharge resistor: time, heat, repeated tries, a shorted link", precharge.precharge),
    Topic("discharge", "how long the link stays live", precharge.discharge),
    Topic("fuse", "main fuse, contactor and 76: who acts first, and what must be broken", power.fuse),
    Topic("cable", "traction cable: drop and heating", power.cable),
    Topic("isolation", "isolation monitor: what 64 reads, and what its test lets through", isolation.isolation),
    Topic("charger", "charger: its circuit and its night", charging.charger),
    Topic("hydrogen", "air for boxes of lead-acid modules on charge", charging.hydrogen),
    Topic("coil", "main contactor's coil: clamp against release time", coil.coil),
    Topic("aux", "DC-DC and 12 V battery", coil.aux),
    Topic("range", "range over the standard cycles", drive.reach),
    Topic("mass", "mass and axle load", drive.mass),
)
NAMES = tuple(t.name for t in TOPICS)


@dataclass(frozen=True)
class Done:
    """A topic and what it gave."""

    topic: Topic
    report: Report

    @property
    def verdict(self) -> str:
        """The gravest of its results."""
        return worst([r.verdict for r in self.report.results])


def run(job: Job, only: Sequence[str] = (), tell: Callable[[str], None] = lambda name: None) -> list[Done]:
    """Every topic, or those named in `only`, in the table's order.  `tell` hears each name before it begins."""
    out = []
    for topic in TOPICS:
        if not only or topic.name in only:
            tell(topic.name)
            out.append(Done(topic, topic.make(job)))
    return out
