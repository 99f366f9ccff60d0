"""How far thermodynamic data bases themselves disagree about the saturation of calcite."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.water.composition import Vector

#: °C, and root mean square difference of the saturation index between PHREEQC's phreeqc.dat and pitzer.dat
#: over 25 waters from soft to very hard, heated closed (the mean difference is nearly as large: it is the
#: calcite and MgOH data, not scatter). The largest single one is 0.43, at 125 °C.
_TEMPERATURES: Final = (5.0, 15.0, 25.0, 40.0, 60.0, 80.0, 93.0, 110.0, 125.0)
_DIFFERENCE: Final = (0.097, 0.023, 0.041, 0.106, 0.165, 0.207, 0.227, 0.246, 0.258)
#: Standard uncertainty of log Ksp of calcite in its best range (Plummer & Busenberg 1982).
_KSP_SD: Final = 0.02


def si_model_sd(t_c: ArrayLike) -> Vector:
    """Standard deviation of the saturation index that the choice of data alone brings, at ``t_c`` (°C).

    Two sets of data, each off the truth by this much, differ by sqrt(2) as much. The calcite data end at
    90 °C; what is said above is extrapolation, and beyond 125 °C the last value is kept.
    """
    t = np.asarray(t_c, dtype=np.float64)
    return np.asarray(np.hypot(np.interp(t, _TEMPERATURES, _DIFFERENCE) / np.sqrt(2.0), _KSP_SD))
