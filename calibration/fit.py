"""Standards' photographs to a curve: the scale chosen by leaving out whole levels, then the process settled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.curve import N_NODES, Curve, Level, ScaleTrial, extended, lower_triangles
from calibration.gaussian_process import SpectralGP, optimise_kernel
from calibration.observation import StandardObservation
from calibration.reflectance import PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME, augmented
from calibration.scale import FORMS, candidates
from shared.analytes import ANALYTES
from shared.colour import xyz_to_lab
from shared.errors import FileError

Array = NDArray[np.float64]

#: A curve needs this many levels; with fewer, curvature cannot be checked.
MIN_LEVELS = 4


@dataclass(frozen=True, slots=True)
class CurveFit:
    """A curve with the process that it was taken from."""

    process: SpectralGP
    curve: Curve


def fitted(analyte: str, unit: str, standards: Sequence[StandardObservation]) -> CurveFit:
    """The best scale of each form, each settled; of these the one that predicts left-out levels best.

    Raises FileError when there are too few levels to draw a curve through.
    """
    values = sorted({s.value for s in standards})
    if len(values) < MIN_LEVELS:
        raise FileError(
            "too few levels for a curve", where=f"standards, {analyte}",
            found=f"{len(values)} ({', '.join(f'{v:g}' for v in values)} {unit})", allowed=f"{MIN_LEVELS} or more",
            remedy="photograph more standard solutions of this analyte, or leave its cells empty")
    settled = sorted(_settled(standards), key=lambda p: p.left_out, reverse=True)
    return CurveFit(settled[0], msgspec.structs.replace(
        curve_of(settled[0], analyte, unit), levels=tuple(_level_rows(settled[0])),
        tried=tuple(ScaleTrial(scale=p.scale, left_out=p.left_out) for p in settled)))


def _settled(standards: Sequence[StandardObservation]) -> Iterator[SpectralGP]:
    """For each form of scale the process on its best knee."""
    values = [s.value for s in standards]
    trials = [SpectralGP(standards, scale) for scale in candidates(min(values), max(values))]
    for trial in trials:
        trial.solve(trial.shape, rounds=3)
    for form in FORMS:
        best = max((t for t in trials if t.scale.form == form), key=lambda t: t.left_out)
        optimise_kernel(best)
        yield best


def curve_of(process: SpectralGP, analyte: str, unit: str) -> Curve:
    """The curve of a fitted process, without the statistics of its standards."""
    reach = extended(process.scale, ANALYTES[analyte].upper)
    nodes = np.linspace(0.0, reach, N_NODES)
    return Curve(
        analyte=analyte, unit=unit, scale=process.scale, load_sd=process.shape.load,
        veil_sd=process.shape.veil, texture_sd=process.shape.texture, reach=reach, left_out=process.left_out,
        weights=tuple(tuple(map(float, row)) for row in process.at(nodes)),
        covariance=lower_triangles(process.covariance_at(nodes)), levels=())


def lab_seen(process: SpectralGP) -> Array:
    """CIELAB (n, 3) of each standard as its own photograph shows it, the fitted spectrum being the expectation.

    Wiener estimation: what the three signals add to the expected spectrum, weighed against their noise.
    """
    prior = PRIOR_SD**2 * PRIOR_VARIANCE
    rows = []
    for s, weights in zip(process.standards, process.weights, strict=True):
        h = s.pad.response.mean[:, 1:]
        gain = prior[:, None] * h.T @ np.linalg.inv(h * prior @ h.T + s.pad.pixel + s.pad.field + 1e-6 * np.eye(3))
        seen = weights + gain @ (s.pad.signal - s.pad.response.signal(weights))
        rows.append(xyz_to_lab(np.maximum(augmented(seen) @ XYZ_FRAME.T, 1e-4)))
    return np.array(rows)


def _level_rows(process: SpectralGP) -> Iterator[Level]:
    """The rows of a calibration's table, one for each level."""
    shown = lab_seen(process)
    for i, value in enumerate(process.levels):
        at_level = process.level_of == i
        lab = xyz_to_lab(augmented(process.weights[at_level][0]) @ XYZ_FRAME.T)
        middle = shown[at_level].mean(axis=0)
        yield Level(
            value=float(value), n=int(at_level.sum()), lab=(float(lab[0]), float(lab[1]), float(lab[2])),
            repeatability=float(np.sqrt(((shown[at_level] - middle) ** 2).sum() / max(1, at_level.sum() - 1))),
            residual=float(np.linalg.norm(middle - lab)))
