"""How far thermodynamic data bases themselves disagree."""

from __future__ import annotations

from numpy.typing import ArrayLike

from shared.water.composition import Vector


def si_model_sd(t_c: ArrayLike) -> Vector:
    """Standard deviation of the saturation index that the choice of data base alone brings, at ``t_c``."""
    raise NotImplementedError
