"""Back through a straight line: the x that gave a reading of y, and its interval.

Delta method: JCGM 100:2008, 5.1. Exact interval: Fieller, J. R. Stat. Soc. B 16:175, 1954, here from the
covariance of the line, so that weighted lines are served alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from calibration.statistics.distributions import t_quantile
from calibration.statistics.least_squares import Fit


@dataclass(frozen=True, slots=True)
class Inverse:
    """The x of a reading, its standard uncertainty by the delta method, and Fieller's interval.

    ``interval`` is None where the slope does not differ significantly from zero: then no finite interval exists.
    """

    x: float
    u: float
    interval: tuple[float, float] | None


def inverse(line: Fit, y: float, *, u_y: float, level: float = 0.95) -> Inverse:
    """The x at which ``line`` passes ``y``, a reading of standard uncertainty ``u_y``.

    For the mean of m readings scattering as the line's own points, ``u_y = line.s / sqrt(m)``; for the mean
    response itself, 0.
    """
    (a, b), ((caa, cab), (_, cbb)) = line.coefficients.tolist(), line.covariance.tolist()
    x = (y - a) / b
    u = sqrt(u_y**2 + caa + 2.0 * x * cab + x * x * cbb) / abs(b)
    t2 = t_quantile((1.0 + level) / 2.0, line.dof) ** 2
    # (a + b x - y)^2 <= t^2 (variance of a + b x - y) is a quadratic in x: p x^2 + 2 q x + r <= 0.
    p, q, r = b * b - t2 * cbb, (a - y) * b - t2 * cab, (a - y) ** 2 - t2 * (u_y**2 + caa)
    if p <= 0.0:
        return Inverse(x, u, None)
    half = sqrt(q * q - p * r)
    return Inverse(x, u, ((-q - half) / p, (-q + half) / p))
