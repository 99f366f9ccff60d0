"""The manager's decisions on treatment in the story, from proposal to verification, and the stock of units."""

from __future__ import annotations

from typing import Final

from stripread.demo import story
from stripread.demo.construction import Construction
from stripread.demo.story import DecisionDay, Excerpt
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.operations.decisions import Decisions, Proposal, decisions
from stripread.store.reading_query import ReadingFilter, readings

#: Share of untreated water at which exchangers are set.
_SETTING: Final = 0.2


def follow_up(made: Construction, within: Excerpt) -> None:
    """Take the steps of decisions that fall within an excerpt, and count the stock."""
    manager = Decisions(made.store, made.who["manager"])
    if within.includes(story.COUNT_DAY):
        made.at(story.COUNT_DAY, 480)
        for unit, count in story.STOCK.items():
            manager.count(unit, count)
    for step in (one for one in story.DECISIONS if within.includes(one.day)):
        made.at(step.day, 490)
        _take_step(made, manager, step)


def _take_step(made: Construction, manager: Decisions, step: DecisionDay) -> None:
    """Take a step of the decision that is open at a site; one that began before the excerpt is left out."""
    if step.state == "proposed":
        name = catalogue(own_terms(made.store))[step.unit].name
        what = f"Install {name}, share of tap water {100 * _SETTING:.0f} %"
        manager.propose(load_intervals(), Proposal(step.site, what, step.unit, _SETTING), step.why)
        return
    for found in decisions(made.store, step.site, settled=False):
        reading = _verifying(made, step.site) if step.state == "verified" else None
        if step.state != "verified" or reading is not None:
            manager.advance(found.id, step.state, step.why, reading)


def _verifying(made: Construction, site: str) -> str | None:
    """Return the latest reading of treated water at a site that is not out of limits."""
    listed = readings(made.store, ReadingFilter(point=f"{site}/treated", reviewed=None))
    return next((one.id for one in listed if one.verdict in ("in", "undecided")), None)
