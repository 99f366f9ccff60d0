"""What a chart's curve is expected to look like before any standard is seen: a line along the scale, bent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import PRIOR_SD

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class KernelParameters:
    """What the process expects before it sees standards, in units of the prior's standard deviation.

    ``slope`` along the scale, ``bend`` away from a straight line over ``length`` of the scale; the scatter of dye
    load from strip to strip ``load`` (relative), of the white veil of mirrored light from photograph to photograph
    ``veil`` (share of white), and of each channel by itself ``texture`` (relative): what pads stray beyond patches.
    """

    slope: float = 1.5
    bend: float = 0.5
    length: float = 0.35
    load: float = 0.02
    veil: float = 0.005
    texture: float = 0.003


#: Where the numbers of a shape are sought, in their order.
BOUNDS = ((0.3, 6.0), (0.03, 3.0), (0.15, 1.5), (0.003, 0.3), (0.0005, 0.05), (0.0005, 0.05))
#: What is usual, and the standard deviation of its logarithm: so few photographs say little of some of the numbers.
USUAL, USUAL_SD = np.log(astuple(KernelParameters())), np.array([1.0, 1.0, 1.0, 0.5, 1.0, 1.0])


def kernel(shape: KernelParameters, x: Array, y: Array) -> Array:
    """Prior covariance (n, m) along the scale between positions (n,) and (m,): a line, bent by a Matern 5/2 process.

    Rasmussen and Williams, eq. 4.17: a squared exponential is too sure of what lies between levels.
    """
    gap = np.sqrt(5.0) * np.abs(x[:, None] - y) / shape.length
    bent = shape.bend**2 * (1 + gap + gap**2 / 3) * np.exp(-gap)
    return np.asarray(PRIOR_SD**2 * (1.0 + shape.slope**2 * x[:, None] * y + bent))


def kernel_slopes(shape: KernelParameters, x: Array) -> Iterator[Array]:
    """Change (n, n) of the kernel with slope, bend and length."""
    gap = np.sqrt(5.0) * np.abs(x[:, None] - x) / shape.length
    bent = PRIOR_SD**2 * shape.bend**2 * np.exp(-gap)
    yield PRIOR_SD**2 * 2 * shape.slope * x[:, None] * x
    yield 2 * bent * (1 + gap + gap**2 / 3) / shape.bend
    yield bent * gap**2 * (1 + gap) / 3 / shape.length
