"""The table of topics, and the run over them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Sequence

from packwarden.sizing import sensing
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
