"""How often a strip is called unlike its chart's: ``python -m tests.bench.dye [CHARTS PHOTOGRAPHS]``.

Simulated charts of each design and photographs on them (`tests.campaign`), of strips of the chart's batch and of
batches with less and more dye. Each photograph is of a camera and a light of its own, or fifty are of one camera, or of
one camera under one light. Printed: share that is flagged (at most 1 % of its own), of single photographs and of four
strips together; then of tubes of fifty such strips, in random orders: share that is flagged within five strips and at
any strip, and the strip at which nine of ten tubes have been flagged.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from calibration.common_effects import SEQUENCE, DyeLoad, StripSequence, dye_load, pooled
from calibration.curve import Curve
from shared.profile import read_profile
from tests import simulator
from tests.bench.samples import SAMPLES
from tests.campaign import DESIGNS, Lab, fits, make_lab, photograph, water
from tests.simulator import Rng

CHARTS, PHOTOGRAPHS = 2, 100
#: Dye as a share of the chart's batch.
DYES = (1.0, 0.88, 1.12, 0.8)
#: Orders in which each tube's strips are used.
ORDERS = 100
SCENES = ("own camera and light", "one camera", "one camera and light")


@dataclass(frozen=True)
class Place:
    """A chart and the lab that it was made in."""

    lab: Lab
    curves: dict[str, Curve]

    def groups(self, scene: str, dye: float, photographs: int, rng: Rng) -> Iterator[list[DyeLoad]]:
        """Differences that photographs show, in groups that share what a tube's photographs share."""
        for _ in range(photographs // SEQUENCE):
            camera, light = simulator.camera(rng), simulator.mixed_light(simulator.SITE_LAMPS, rng)
            group = []
            for _ in range(SEQUENCE):
                camera = simulator.camera(rng) if scene == SCENES[0] else camera
                light = light if scene == SCENES[2] else simulator.mixed_light(simulator.SITE_LAMPS, rng)
                values = {a: water(indicator, rng) for a, indicator in self.lab.dyes.items()}
                group.append(dye_load(photograph(self.lab, light, values, (camera, rng), dye), self.curves))
            yield [load for load in group if load is not None]


def flagged(loads: Sequence[DyeLoad], together: int) -> list[bool]:
    """Whether each group of ``together`` strips is unlike the chart."""
    groups = (pooled(loads[k : k + together]) for k in range(0, len(loads) - together + 1, together))
    return [group.unlike for group in groups if group is not None]


def first_flagged(loads: Sequence[DyeLoad], rng: Rng) -> int:
    """The strip at which a tube with such strips is flagged; infinity, as a large number, where it is not."""
    ordered = [loads[k] for k in rng.permutation(len(loads)).tolist()]
    sequence = accumulate(ordered, StripSequence.followed_by, initial=StripSequence())
    return next((strip.strips for strip in sequence if strip.unlike), SEQUENCE + 1)


def run(charts: int = CHARTS, photographs: int = PHOTOGRAPHS) -> None:
    """Print the shares."""
    designed = read_profile(SAMPLES / "card-run-007.txt")
    places = []
    for chart in range(charts):
        for number, design in enumerate(DESIGNS):
            rng = np.random.default_rng([number, chart, 7])
            lab = make_lab(designed, rng)
            places.append(Place(lab, {a: f.curve for a, f in fits(lab, design, rng).items()}))
    print(f"\nstrips unlike the chart's, {len(places)} charts, {photographs} photographs each")
    for scene in SCENES:
        for dye in DYES:
            rng = np.random.default_rng(7)
            print(f"{scene}, dye {dye:.2f}: "
                  f"{shares([g for place in places for g in place.groups(scene, dye, photographs, rng)], rng)}")


def shares(groups: Sequence[Sequence[DyeLoad]], rng: Rng) -> str:
    """What is found in photographs of groups that share as much as those of a tube."""
    error = np.concatenate([[load.difference for load in group] for group in groups])
    one, four = (np.mean([f for group in groups for f in flagged(group, n)]) for n in (1, 4))
    firsts = np.sort([first_flagged(group, rng) for group in groups for _ in range(ORDERS)])
    ninth = int(firsts[int(np.ceil(0.9 * len(firsts))) - 1])
    return (f"found {error.mean() + 1:.3f} +- {error.std():.3f}; flagged {one:.1%}, of four strips {four:.1%}; "
            f"tubes {(firsts <= 5).mean():.1%} within 5 strips, {(firsts <= SEQUENCE).mean():.1%} at any"
            f"{f', nine of ten within {ninth}' if ninth <= SEQUENCE else ''}")


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
