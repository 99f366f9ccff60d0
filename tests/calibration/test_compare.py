"""Charts of invented dyes that mix along the value: the same, scattered within their uncertainty, and shifted."""

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.chart import Chart, Conditions
from calibration.compare import compare
from calibration.curve import N_NODES, Curve, Level, lab_slope, lower_triangles
from calibration.reflectance import COSINES, N_COSINES, PRIOR_MEAN
from calibration.scale import Scale
from shared.card import default_card
from shared.colour import WAVELENGTHS_NM
from shared.errors import InputError
from shared.strip import default_strip
from tests.loops import some

Array = NDArray[np.float64]
LEVELS = (0.0, 30.0, 60.0, 120.0, 240.0, 425.0)
#: Standard deviation of the curve's coefficients, alike at every node.
DOUBT = 0.002


def reflectance(value: Array) -> Array:
    """Two bands of Kubelka and Munk, one giving way to the other as more is bound."""
    share = (value / (value + 130))[:, None]
    k = 0.0056 + 1.1 * (1 - share) * np.exp(-0.5 * ((WAVELENGTHS_NM - 610) / 45) ** 2)
    k = k + 0.9 * share * np.exp(-0.5 * ((WAVELENGTHS_NM - 525) / 40) ** 2)
    return np.asarray(1 + k - np.sqrt(k * (k + 2)))


def curve(*, factor: float = 1.0, noise: Array | None = None, high: float = 425.0, analyte: str = "hardness") -> Curve:
    """A curve whose colour at c is that of ``factor`` times c, its coefficients moved by ``noise`` (12,)."""
    scale = Scale(form="straight", low=0.0, high=high)
    weights = (reflectance(factor * scale.value(np.linspace(0, 1, N_NODES))) - PRIOR_MEAN) @ np.linalg.pinv(COSINES).T
    weights = weights + (0.0 if noise is None else noise)
    covariance = np.broadcast_to(DOUBT**2 * np.eye(N_COSINES), (N_NODES, N_COSINES, N_COSINES))
    levels = tuple(Level(value=v, n=4, lab=(50, 0, 0), repeatability=0.5, residual=0.1) for v in LEVELS if v <= high)
    return Curve(analyte=analyte, unit="mg/L CaCO3", scale=scale, weights=tuple(map(tuple, weights.tolist())),
                 covariance=lower_triangles(covariance), load_sd=0.02, left_out=0.0, levels=levels)


def chart(*curves: Curve) -> Chart:
    made = Conditions(lights=("window",), cameras=("a",), print_run=7, profile="p", software="s", made="2026-11-25",
                      standards_sha256="0", photographs=24)
    return Chart(format="strip-chart/1", batch="B", card=default_card(), strip=default_strip(), conditions=made,
                 curves=curves)


def test_a_chart_does_not_differ_from_itself() -> None:
    (found,) = compare(chart(curve()), chart(curve()))
    assert [d.value for d in found.levels] == list(LEVELS)
    assert all(abs(d.shift) < 0.02 and d.delta_e < 1e-6 for d in some(found.levels))
    assert found.p == pytest.approx(1.0)
    assert not found.real
    assert not found.matters
    assert found.undecided == any(1.96 * d.u > d.allowed for d in found.levels)


def test_a_batch_a_fifth_stronger_is_seen_by_its_fifth() -> None:
    """Its colour at c is the first one's at 1.2 c, so it says c / 1.2 of the first one's colour at c."""
    (found,) = compare(chart(curve()), chart(curve(factor=1.2)))
    assert [d.shift for d in found.levels] == pytest.approx([v / 1.2 - v for v in LEVELS], abs=0.3)
    assert found.real
    assert found.matters


def test_a_probability_below_the_last_digit_of_one_is_not_zero() -> None:
    assert 0.0 < compare(chart(curve()), chart(curve(factor=2.0)))[0].p < 1e-17


def test_what_is_allowed_decides_whether_it_matters() -> None:
    pair = chart(curve()), chart(curve(factor=1.2))
    assert compare(*pair, allowed={"hardness": 50.0})[0].matters is True
    assert compare(*pair, allowed={"hardness": 71.0})[0].matters is False
    assert not compare(chart(curve()), chart(curve()), allowed={"hardness": 1000.0})[0].undecided
    assert compare(chart(curve()), chart(curve()), allowed={"hardness": 0.01})[0].undecided
    (small,) = compare(chart(curve()), chart(curve(factor=1.03)), allowed={"hardness": 1.0})
    assert small.levels[3].shift == pytest.approx(120 / 1.03 - 120, abs=0.3)
    assert small.matters == small.real


def test_chance_alone_is_called_real_about_as_rarely_as_stated() -> None:
    """One draw of the coefficients moves the whole curve, so the levels agree and Bonferroni's bound is kept."""
    rng = np.random.default_rng(3)
    pairs = [[chart(curve(noise=rng.normal(0, DOUBT, N_COSINES))) for _ in range(2)] for _ in range(80)]
    called = sum(compare(*pair)[0].real for pair in pairs)
    assert called <= 8  # 5 % of 80 and two standard deviations


def test_slope_is_that_of_the_curve() -> None:
    one = curve()
    assert lab_slope(one, 100.0) == pytest.approx((one.lab(101.0) - one.lab(99.0))[0] / 2, abs=1e-4)


def test_only_common_ground_is_compared() -> None:
    (found,) = compare(chart(curve()), chart(curve(high=130.0)))
    assert [d.value for d in found.levels] == [0, 30, 60, 120]
    with pytest.raises(InputError, match="no analyte in common"):
        compare(chart(curve()), chart(curve(analyte="alkalinity")))
