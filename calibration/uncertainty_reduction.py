"""Improvements that would reduce the uncertainty of readings on a curve.

Computed from the budget of a reading on site, and from what the process would know after more photographs, which does
not depend on what they will show. On site camera and lamp are others than those through which the curve was learned:
they record differences between spectra that the chart's own photographs hardly show. Which lamp one more light will be
is not known: it is taken to be like the present ones. A different lamp reduces the chart's stated uncertainty by more
than predicted, and its errors by about as much (`tests.bench.improvements`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve
from calibration.fit import CurveFit, curve_of
from calibration.gaussian_process import SpectralGP
from calibration.merit import RESOLUTION_AT
from calibration.observation import PadObservation, Response, StandardObservation
from calibration.reflectance import CAMERA_BANDS, FRAME
from calibration.value import value_of
from shared.analytes import ANALYTES
from shared.colour import WAVELENGTHS_NM, load_illuminants
from shared.estimate import Part
from shared.strip import IntrinsicU

Array = NDArray[np.float64]

Kind = Literal["replicates", "levels", "light", "strips"]

#: What can be done, in words; {n} is the number of photographs.
WORDS: dict[Kind, str] = {
    "replicates": "photograph one more strip of each standard under a light used so far ({n} photographs)",
    "levels": "prepare levels halfway between the present ones ({n} photographs)",
    "light": "photograph a strip of each standard under one more light ({n} photographs)",
    "strips": "photograph two strips of each water on site and use their mean",
}
#: Lamps on site (CIE 15:2018).
SITE_LAMPS = ("D65", "A", "LED-B2", "LED-B5")
#: Name of a light that no table of standards can contain: its cells are stripped.
_NEW = " "


@dataclass(frozen=True, slots=True)
class Improvement:
    """An improvement, the number of photographs that it needs, and the remaining standard uncertainty."""

    kind: Kind
    photographs: int
    u: float

    @property
    def words(self) -> str:
        """The improvement as an instruction."""
        return WORDS[self.kind].format(n=self.photographs)


@dataclass(frozen=True, slots=True)
class Gain:
    """At the level ``value``: standard uncertainty ``u`` of a reading, its parts and the moves.

    Both are sorted, largest effect first.
    """

    value: float
    u: float
    parts: tuple[Part, ...]
    moves: tuple[Improvement, ...]


def gain(fit: CurveFit, chemistry: IntrinsicU) -> Gain:
    """The budget of a reading, and the remaining uncertainty after each improvement.

    Taken at the level nearest to where the resolution is reported, or to the middle of the curve.
    """
    process = fit.process
    inner = np.arange(1, len(process.levels) - 1)
    wanted = process.scale.position(RESOLUTION_AT.get(fit.curve.analyte, float(process.scale.value(0.5))))
    middle = int(inner[np.argmin(np.abs(process.scale.position(process.levels[inner]) - wanted))])
    at = float(process.levels[middle])
    pads = _on_site([s for s, of in zip(process.standards, process.level_of, strict=True) if of == middle], at, fit)
    parts = _budget(pads, fit.curve, chemistry)
    moves = [Improvement(kind, len(more), _total(_budget(pads, _surer(fit, more), chemistry)))
             for kind, more in _designs(process, middle)]
    moves.append(Improvement("strips", 0, _total([p if p.shared else _halved(p) for p in parts])))
    return Gain(value=at, u=_total(parts),
                parts=tuple(sorted(parts, key=lambda p: -p.u)), moves=tuple(sorted(moves, key=lambda m: m.u)))


def _on_site(level: Sequence[StandardObservation], value: float, fit: CurveFit) -> list[PadObservation]:
    """A level's pad as a typical camera records it under each lamp, as uncertain as in its photographs on average."""
    pads = [s.pad for s in level]
    correction, mismatch, camera = (np.mean([getattr(pad.response, name) for pad in pads], axis=0)
                                    for name in ("correction", "mismatch", "camera"))
    weights = fit.curve.weights_at(np.atleast_1d(fit.curve.scale.position(value)))[0]
    responses = [Response(mean, correction, mismatch, camera) for mean in map(_typical_mean, SITE_LAMPS)]
    return [replace(pads[k % len(pads)], response=response, signal=response.signal(weights))
            for k, response in enumerate(responses)]


def _typical_mean(lamp: str) -> Array:
    """Response (3, 13) of a typical camera to spectra under a lamp."""
    bands = np.array([np.exp(-0.5 * ((WAVELENGTHS_NM - middle) / width) ** 2) for middle, width in CAMERA_BANDS])
    recorded = load_illuminants()[lamp] * bands
    return np.asarray(recorded @ FRAME / recorded.sum(axis=1, keepdims=True))


def _budget(pads: Sequence[PadObservation], curve: Curve, chemistry: IntrinsicU) -> list[Part]:
    """Parts of a level's readings, root mean square over some pads."""
    limits = ANALYTES[curve.analyte]
    budgets = [value_of(pad, curve, chemistry, (limits.lower, limits.upper)).budget for pad in pads]
    return [Part(name=same[0].name, u=sqrt(sum(p.u**2 for p in same) / len(same)), shared=same[0].shared)
            for same in zip(*budgets, strict=True)]


def _total(parts: Sequence[Part]) -> float:
    return hypot(*(p.u for p in parts))


def _halved(part: Part) -> Part:
    """The part in the mean of two strips."""
    return Part(name=part.name, u=part.u / sqrt(2.0), shared=part.shared)


def _designs(process: SpectralGP, middle: int) -> Iterator[tuple[Kind, list[StandardObservation]]]:
    """As many more photographs for each kind as there are levels."""
    first = [process.standards[int(np.argmax(process.level_of == i))] for i in range(len(process.levels))]
    yield "replicates", first
    yield "light", [replace(s, light=_NEW) for s in first]
    places = process.scale.position(process.levels[middle - 1 : middle + 2])
    between = process.scale.value((places[:-1] + places[1:]) / 2)
    yield "levels", [replace(s, value=float(between[i % 2])) for i, s in enumerate(first)]


def _surer(fit: CurveFit, more: Sequence[StandardObservation]) -> Curve:
    """The curve after photographing ``more``: where it lies is expected to stay, its covariance shrinks."""
    process = SpectralGP([*fit.process.standards, *(_as_expected(s, fit) for s in more)], fit.process.scale)
    process.solve(fit.process.shape, rounds=3)
    return msgspec.structs.replace(
        fit.curve, covariance=curve_of(process, fit.curve.analyte, fit.curve.unit).covariance)


def _as_expected(standard: StandardObservation, fit: CurveFit) -> StandardObservation:
    """The photograph with the signals the curve foretells and the mismatch its light has on average."""
    position = np.atleast_1d(fit.curve.scale.position(standard.value))
    response = standard.pad.response
    alike = [s for s in fit.process.standards if standard.light in (s.light, _NEW)]
    usual = replace(response, mismatch=np.mean([s.pad.response.mismatch for s in alike], axis=0))
    signal = response.signal(fit.curve.weights_at(position)[0])
    return replace(standard, pad=replace(standard.pad, signal=signal, response=usual))
