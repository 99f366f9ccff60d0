"""Charts of a lab and readings on them, drawn at random: strips, print runs, lights, cameras, solutions.

Everything a chart's readings share differs from chart to chart; what a reading has of its own, from photograph to
photograph. Wet pads mirror some light: a white veil of 3 % on average, which differs between photographs by 0.9 %
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from calibration.common_effects import veils
from calibration.curve import Curve
from calibration.fit import CurveFit, fitted
from calibration.observation import PadObservation, StandardObservation
from calibration.value import PadValue, value_of
from shared.analytes import ANALYTES
from shared.card import BED, PAPER
from shared.colour import WAVELENGTHS_NM
from shared.profile import PrintProfile
from tests import simulator
from tests.simulator import Array, Indicator, Rng
from tests.synthetic import CARD, CERTIFIED_U, STRIP, shoot

#: Analytes certified in one and the same solution.
SERIES = (("hardness", "chloride"), ("alkalinity", "chlorine"), ("ph",))
#: Mean of the veil, and its scatter between photographs and between a photograph's pads, shares of white.
VEIL, VEIL_SD, PAD_VEIL_SD = 0.03, 0.009, 0.001


@dataclass(frozen=True)
class Design:
    """How a chart is made: number of lights, strips a level under each, cameras that share the lights."""

    lights: int
    strips: int
    cameras: int

    def __str__(self) -> str:
        return f"{self.lights} lights, {self.strips} strips a level, {self.cameras} cameras"


DESIGNS = (Design(2, 1, 1), Design(4, 1, 1), Design(4, 2, 1), Design(4, 1, 2))


@dataclass(frozen=True)
class Lab:
    """What a chart's standards and readings have in common: the strips' dyes and the card's print run."""

    dyes: Mapping[str, Indicator]
    profile: PrintProfile


@dataclass(frozen=True)
class FieldPhoto:
    """A photograph's pads and the true values of its water, by analyte."""

    pads: Mapping[str, PadObservation]
    true: Mapping[str, float]


def make_lab(designed: PrintProfile, rng: Rng) -> Lab:
    """Another strip type on another print run, whose profile is measured without error."""
    ids = [*CARD.patch_ids, BED, PAPER]
    spectra = simulator.printing(simulator.on_wavelengths(designed, ids), rng)
    measured = replace(designed, ids=tuple(ids), lab=designed.lab_of(ids), spectra=spectra[:, ::2],
                       wavelengths=WAVELENGTHS_NM)
    return Lab(simulator.batch(rng), measured)


def standards(lab: Lab, design: Design, rng: Rng,
              of: Sequence[tuple[str, ...]] = SERIES) -> dict[str, list[StandardObservation]]:
    """Every level of each series ``of`` analytes under each light; solutions miss their values by what is stated."""
    cameras = [simulator.camera(rng) for _ in range(design.cameras)]
    lamps = rng.choice(simulator.GOOD_LAMPS, design.lights, replace=False).tolist()
    seen: dict[str, list[StandardObservation]] = {}
    for series in of:
        for step in range(max(len(lab.dyes[a].levels) for a in series)):
            prepared = {a: _prepared(lab.dyes[a], a, step, rng) for a in series if step < len(lab.dyes[a].levels)}
            for k, lamp in enumerate(lamps * design.strips):
                pads = photograph(lab, lamp, {a: p[2] for a, p in prepared.items()}, (cameras[k % len(cameras)], rng))
                for a, (value, u, _) in prepared.items():
                    seen.setdefault(a, []).append(StandardObservation(
                        photo=f"{series[0]}-{step}-{k}", standard=f"{series[0]}-{step}", light=lamp, value=value, u=u,
                        camera=f"{k % len(cameras)}", pad=pads[a]))
    return seen


def _prepared(dye: Indicator, analyte: str, step: int, rng: Rng) -> tuple[float, float, float]:
    """A solution's certified value, its standard uncertainty, and what it is in truth."""
    value, span = dye.levels[step], dye.levels[-1] - dye.levels[0]
    u = CERTIFIED_U[0] * value + CERTIFIED_U[1] * span if analyte != "ph" else 0.01
    return value, u, max(dye.levels[0] if analyte == "ph" else 0.0, rng.normal(value, u))


def photograph(lab: Lab, lamp: str | Array, values: Mapping[str, float], by: tuple[simulator.Camera, Rng],
               dye: float = 1.0) -> dict[str, PadObservation]:
    """A photograph's pads in a water of those values, with ``dye`` times the usual load."""
    camera, rng = by
    shot, veil = shoot(camera, lamp, lab.profile, rng), max(0.0, rng.normal(VEIL, VEIL_SD))
    found = {}
    for a, value in values.items():
        body = lab.dyes[a].reflectance(value, dye * (1 + rng.normal(0, simulator.LOAD_SD)))
        found[a] = shot.see(a, body + veil + rng.normal(0, PAD_VEIL_SD), rng)
    return found


def fits(lab: Lab, design: Design, rng: Rng, of: Sequence[tuple[str, ...]] = SERIES) -> dict[str, CurveFit]:
    """A chart's curves."""
    return {a: fitted(a, STRIP.pad(a).unit, s) for a, s in standards(lab, design, rng, of).items()}


def field(lab: Lab, n: int, rng: Rng, *, dye: float = 1.0) -> Iterator[FieldPhoto]:
    """Photographs of waters over the whole range, more of them low, each with a camera and a light of its own."""
    for _ in range(n):
        values = {a: water(dye_, rng) for a, dye_ in lab.dyes.items()}
        light = simulator.mixed_light(simulator.SITE_LAMPS, rng)
        yield FieldPhoto(photograph(lab, light, values, (simulator.camera(rng), rng), dye), values)


def water(dye: Indicator, rng: Rng) -> float:
    low, high = dye.levels[0], dye.levels[-1]
    return float(low + (high - low) * rng.random() ** rng.choice([1.0, 2.5]))


def read_pads(pads: Mapping[str, PadObservation], curves: Mapping[str, Curve]) -> dict[str, PadValue]:
    """Values of a photograph's pads, its veil taken from all of them."""
    veil = veils(pads, curves)
    return {a: value_of(pad, curves[a], STRIP.pad(a).chemistry, (ANALYTES[a].lower, ANALYTES[a].upper), veil[a])
            for a, pad in pads.items()}
