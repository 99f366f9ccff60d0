"""The stated disagreement of data bases, taken again from the data bases."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from shared.water import Water, si_model_sd


@pytest.mark.parametrize("t_c", [25.0, 60.0, 93.0, 125.0])
def test_spread_is_that_of_two_databases(
    t_c: float, phreeqc: Any, pitzer: Any, rows: Callable[[str], Any], waters: dict[str, Water]
) -> None:
    """PHREEQC run with phreeqc.dat and with pitzer.dat on the 25 waters: root mean square over sqrt(2)."""
    differences = []
    for row in rows("phreeqc-waters.csv"):
        sample = (waters[row["id"]], float(row["ph"]), float(row["ph_at_c"]))
        one, other = (engine.heated(engine.sample(*sample), t_c)["si"] for engine in (phreeqc, pitzer))
        differences.append(other - one)
    spread = np.hypot(np.sqrt(np.mean(np.square(differences)) / 2), 0.02)
    assert float(si_model_sd(t_c)) == pytest.approx(float(spread), abs=0.002)
    assert np.abs(differences).max() < 3 * float(si_model_sd(t_c))


def test_doubt_grows_with_heat_and_is_never_nothing() -> None:
    sd = si_model_sd(np.linspace(15.0, 150.0, 100))
    assert np.all(np.diff(sd) >= 0)
    assert sd.min() >= 0.02
