"""Equilibrium constants against the values their papers and handbooks print."""

import numpy as np
import pytest

from shared.water.constants import REACTIONS, ZERO_CELSIUS_K, activity, debye_huckel
from tests.loops import some

#: Plummer & Busenberg 1982, Geochim. Cosmochim. Acta 46:1011, abstract: log K at 25 °C (from memory).
PLUMMER_BUSENBERG = {
    "calcite": -8.48, "k1": -6.352, "k2": -10.329, "kh": -1.468, "ca_hco3": 1.11, "ca_co3": 3.22,
}  # fmt: skip
#: -log K at 0, 25 and 50 °C: Harned & Davis 1943, J. Am. Chem. Soc. 65:2030 (k1); Harned & Scholes 1941,
#: ibid. 63:1706 (k2); CRC Handbook, ion product of water (kw). From memory.
MEASURED = {"k1": (6.579, 6.352, 6.285), "k2": (10.625, 10.329, 10.172), "kw": (14.947, 13.995, 13.262)}


def log_k(name: str, t_c: float) -> float:
    return float(REACTIONS[name].log10(np.asarray(t_c + ZERO_CELSIUS_K)))


@pytest.mark.parametrize(("name", "printed"), PLUMMER_BUSENBERG.items())
def test_plummer_busenberg_at_25(name: str, printed: float) -> None:
    assert log_k(name, 25.0) == pytest.approx(printed, abs=0.011)


@pytest.mark.parametrize(("name", "printed"), MEASURED.items())
def test_dissociation_as_measured(name: str, printed: tuple[float, ...]) -> None:
    """The fits go through the cell measurements within 0.02."""
    assert [-log_k(name, t) for t in (0.0, 25.0, 50.0)] == pytest.approx(printed, abs=0.02)


def test_ion_product_of_boiling_water() -> None:
    """IAPWS R11-07: pKw 12.25 at 100 °C, saturated (from memory)."""
    assert -log_k("kw", 100.0) == pytest.approx(12.25, abs=0.02)


def test_magnesium_bicarbonate_pair() -> None:
    """Siebert & Hostetler 1977, Am. J. Sci. 277:697, abstract: pK of dissociation 1.07 at 25 °C, 1.34 at 90 °C."""
    assert [log_k("mg_hco3", t) for t in (25.0, 90.0)] == pytest.approx([1.07, 1.34], abs=0.006)


def test_magnesium_hydrolysis_is_real_in_hot_water() -> None:
    """Palmer & Wesolowski 1997, J. Solution Chem. 26:217, abstract: log K -11.68, 70.1 kJ/mol, to 250 °C."""
    gas_constant, ln10 = 8.314462, np.log(10.0)
    published = -11.68 + 70_100 / (gas_constant * ln10) * (1 / 298.15 - 1 / 398.15)
    assert log_k("mg_oh", 125.0) == pytest.approx(published, abs=0.1)


def test_calcite_dissolves_less_when_hot() -> None:
    """Ksp falls 4.8 times from 25 to 93 °C: the reason scale sits on the heater (Plummer & Busenberg's fit)."""
    assert 10 ** (log_k("calcite", 25.0) - log_k("calcite", 93.0)) == pytest.approx(4.8, abs=0.05)


def test_debye_huckel_slopes() -> None:
    """Robinson & Stokes, Electrolyte Solutions, appendix 7.1: A 0.5115 and B 0.3291 at 25 °C (from memory)."""
    slopes = debye_huckel(np.asarray(25.0))
    assert float(slopes.a) == pytest.approx(0.5115, abs=0.001)
    assert float(slopes.b) == pytest.approx(0.3291, abs=0.0005)


def test_activity_of_0_1_molar() -> None:
    """Mean coefficient of an ion of charge one at 0.1 mol/L: 0.78 (Davies, as in every textbook)."""
    g = activity(np.asarray(0.1), debye_huckel(np.asarray(25.0)))
    assert float(g.single) == pytest.approx(0.78, abs=0.005)


def test_dilute_water_is_ideal() -> None:
    assert all(float(c) == 1.0 for c in some(activity(np.asarray(0.0), debye_huckel(np.asarray(93.0)))))
