"""What happens in the company's year: visits, check standards, work on filters, laboratory samples, reviews.

Days count from 0 to 364; the last is the day on which the sample company is built.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from stripread.demo.company import PHONES, RENEWALS, YEAR, Renewal, Values, points, water_at
from stripread.demo.dyes import BATCHES
from stripread.demo.render import Fault, Shot
from stripread.demo.standards import CHECK_LIGHTS, CHECKS, PhotographedStandard
from stripread.store.models.sites import DecisionState

#: First day on which each batch is in use.
FIRST_DAYS: Final = dict(zip(BATCHES, (0, 122, 244), strict=True))
#: Interval of the visits to a sampling point, days, and day of the first.
_VISITS: Final = {
    "chalkstep-corner/tap": (56, 5), "chalkstep-corner/treated": (7, 5), "beacon-stair/tap": (60, 9),
    "beacon-stair/treated": (30, 9), "lantern-row/tap": (28, 10), "upper-quill/tap": (60, 12),
    "upper-quill/treated": (30, 12), "orchard-steps/tap": (7, 3), "weir-cottage/tap": (28, 17),
    "mill-lantern/tap": (28, 18), "mill-lantern/treated": (28, 252), "ferry-bench/tap": (28, 19),
    "ferry-bench/treated": (14, 207),
    "saltmarrow-quay/tap": (28, 23), "saltmarrow-quay/treated": (28, 23), "reed-house/tap": (28, 24),
    "tide-table/tap": (45, 25), "gull-parlour/tap": (60, 26)}
#: Lights on the road (CIE), in turn.
_ROAD_LIGHTS: Final = ("D65", "LED-B2", "LED-B3", "FL8", "D65", "LED-B5")
#: Seconds from dip to photograph.
_USUAL_S: Final = 45
#: Every how many days check standards are read, and which, in turn.
_CHECK_DAYS: Final = 7


@dataclass(frozen=True, slots=True)
class Mishap:
    """What goes wrong at a visit: a fault of the picture, a strip of another tap, or a photograph taken too late.

    ``tap``: the point whose water the strip was dipped in.
    """

    fault: Fault = ""
    tap: str | None = None
    after_dip_s: int = _USUAL_S


#: Mishaps by sampling point and day; the days of the last weeks are still in the review queue.
MISHAPS: Final = {
    ("beacon-stair/treated", 219): Mishap(tap="beacon-stair/tap"),
    ("orchard-steps/tap", 101): Mishap(fault="card cut off"),
    ("reed-house/tap", 276): Mishap(after_dip_s=400),
    ("chalkstep-corner/treated", 355): Mishap(fault="no strip"),
    ("lantern-row/tap", 346): Mishap(tap="upper-quill/treated"),
    ("weir-cottage/tap", 353): Mishap(after_dip_s=300),
}


@dataclass(frozen=True, slots=True)
class StoryVisit:
    """A photograph of a strip at a sampling point, or of a check standard (``solution``)."""

    day: int
    minute: int
    batch: str
    phone: str
    point: str | None = None
    solution: PhotographedStandard | None = None
    mishap: Mishap = Mishap()

    @property
    def values(self) -> Values:
        """True values of the water in which the strip was dipped."""
        return self.solution.values if self.solution else water_at(self.mishap.tap or self.point or "", self.day)

    def name(self, start: date) -> str:
        """Return the name of the file."""
        what = f"{self.solution.standard}-{self.solution.light}" if self.solution else (self.point or "").replace(
            "/", "-")
        return f"{start + timedelta(days=self.day):%Y-%m-%d}-{what}.jpg"

    def taken(self, start: date) -> datetime:
        """Return the time of exposure."""
        return moment(start, self.day, self.minute)

    def shot(self, start: date) -> Shot:
        """Return the photograph to render."""
        lamp = self.solution.lamp if self.solution else _ROAD_LIGHTS[(self.day + self.minute) % len(_ROAD_LIGHTS)]
        what = self.solution.standard + self.solution.light if self.solution else self.point
        return Shot(zlib.crc32(f"{what}{self.day}".encode()), self.values, self.batch, PHONES[self.phone][0],
                    self.taken(start), lamp, self.mishap.fault)


def moment(start: date, day: int, minute: int) -> datetime:
    """Return the time of a day of the story, minutes after 8:00."""
    return datetime.combine(start, time(8), UTC) + timedelta(days=day, minutes=minute)


def batch_on(day: int) -> str:
    """Return the batch in use on a day."""
    return [batch for batch, first in FIRST_DAYS.items() if first <= day][-1]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """The part of the story to build: days from ``first``, on which a batch is taken into use, to before ``until``.

    ``points``: sampling points to visit [default: all, and check standards every week]; ``every``: which of the visits
    to a point, such as 2 for every second one.
    """

    first: int = 0
    until: int = YEAR
    points: frozenset[str] | None = None
    every: int = 1

    def includes(self, day: int) -> bool:
        """Return whether a day is included."""
        return self.first <= day < self.until

    @property
    def batches(self) -> dict[str, int]:
        """Batches that are taken into use, with their first days."""
        return {batch: day for batch, day in FIRST_DAYS.items() if self.includes(day)}


WHOLE: Final = Excerpt()


def visits(part: Excerpt = WHOLE) -> list[StoryVisit]:
    """Return the photographs of a part of the story, in order of time."""
    checks = _checks() if part.points is None else ()
    chosen = (v for v in (*_samples(part), *checks) if part.includes(v.day))
    return sorted(chosen, key=lambda v: (v.day, v.minute))


def _samples(part: Excerpt) -> Iterator[StoryVisit]:
    for n, point in enumerate(points()):
        days, first = _VISITS[point]
        for day in range(first, YEAR, days * part.every) if part.points is None or point in part.points else ():
            yield StoryVisit(day, 30 + 12 * n, batch_on(day), "phone-road", point=point,
                             mishap=MISHAPS.get((point, day), Mishap()))


def _checks() -> Iterator[StoryVisit]:
    """Yield two check standards a week, one with each phone."""
    lights = list(CHECK_LIGHTS.items())
    for week, day in enumerate(range(1, YEAR, _CHECK_DAYS)):
        for n, phone in enumerate(PHONES):
            name, (light, lamp) = list(CHECKS)[(week + n) % 2], lights[(week + n) % 2]
            yield StoryVisit(day, 2 * n, batch_on(day), phone,
                             solution=PhotographedStandard(name, "check", light, lamp, CHECKS[name]))


def renewals() -> list[tuple[str, Renewal]]:
    """Return the renewals of all units in order of time."""
    units = [(unit, renewal) for unit, done in RENEWALS.items() for renewal in done]
    return sorted(units, key=lambda one: (one[1].day, one[0]))


#: Days of laboratory samples, by sampling point.
LABORATORY: Final = {"chalkstep-corner/tap": (61, 173, 285), "orchard-steps/tap": (59, 143, 227, 311),
                     "lantern-row/tap": (66, 178, 290), "saltmarrow-quay/tap": (51, 163, 275),
                     "reed-house/tap": (52, 164, 248, 332)}


@dataclass(frozen=True, slots=True)
class DecisionDay:
    """The manager brings the decision on a site into a state; ``unit``: catalogue id of what is to be installed."""

    day: int
    site: str
    state: DecisionState
    why: str
    unit: str = "company-exchange"


#: Steps of decisions in order of time: one verified, one ordered, one proposed, one closed.
DECISIONS: Final = (
    DecisionDay(96, "tide-table", "proposed", "chloride rises", "company-osmosis"),
    DecisionDay(130, "tide-table", "closed", "the season is short; wait for another year of readings"),
    DecisionDay(176, "mill-lantern", "proposed", "the mains became hard"),
    DecisionDay(186, "mill-lantern", "chosen", "one cartridge lasts most of a year here"),
    DecisionDay(190, "mill-lantern", "ordered", "with fittings"),
    DecisionDay(250, "mill-lantern", "installed", "a fifth of the water bypasses it"),
    DecisionDay(281, "mill-lantern", "verified", "treated water as expected"),
    DecisionDay(300, "weir-cottage", "proposed", "as at Mill Lantern", "company-exchange-small"),
    DecisionDay(330, "weir-cottage", "chosen", "few drinks a day: the small cartridge is enough"),
    DecisionDay(346, "weir-cottage", "ordered", ""),
    DecisionDay(358, "orchard-steps", "proposed", "the mains became hard"),
)
#: Day on which the units in stock are counted, and their numbers by catalogue id.
COUNT_DAY: Final = 240
STOCK: Final = {"company-exchange": 1, "company-carbon": 2}
#: Days on which the reviewer works through the queue.
REVIEWS: Final = tuple(range(20, 341, 20))
