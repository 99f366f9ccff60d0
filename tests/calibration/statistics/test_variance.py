from pathlib import Path

import numpy as np
import pytest

from calibration.statistics.outliers import nested

DATA = Path(__file__).parents[2] / "data"


def test_silicon_resistivity_of_nist_strd() -> None:
    instrument, value = np.loadtxt(DATA / "nist-strd-sirstv.csv", delimiter=",", unpack=True)
    between, within = nested(value, [instrument.tolist()])
    assert (between.dof, within.dof) == (4, 20)
    assert between.sum_of_squares == pytest.approx(5.11462616e-2, rel=1e-9)
    assert within.sum_of_squares == pytest.approx(2.1663656e-1, rel=1e-9)
    assert within.variance == pytest.approx(2.1663656e-1 / 20, rel=1e-9)


def test_turnip_greens_of_snedecor_and_cochran() -> None:
    plant, leaf, value = np.loadtxt(DATA / "snedecor-cochran-turnip.csv", delimiter=",", unpack=True)
    stages = nested(value, [plant.tolist(), leaf.tolist()])
    assert [s.sum_of_squares for s in stages] == pytest.approx([7.560346, 2.630200, 0.079850], abs=1e-6)
    assert [s.variance for s in stages] == pytest.approx([0.365223, 0.161060, 0.006654], abs=1e-6)


def test_unequal_groups_are_unbiased() -> None:
    """Simulated: three stages of standard deviation 3, 2 and 1 in groups of all sizes."""
    rng = np.random.default_rng(5725)
    light = np.repeat(np.arange(8), [2, 3, 4, 6, 8, 3, 5, 9])
    strip = np.concatenate([np.arange(n) // 2 for n in np.bincount(light)])
    cell = np.unique(np.column_stack([light, strip]), axis=0, return_inverse=True)[1].ravel()
    runs = []
    for _ in range(800):
        value = rng.normal(0, 3, 8)[light] + rng.normal(0, 2, cell.max() + 1)[cell]
        value += rng.normal(0, 1, len(light))
        runs.append([s.variance for s in nested(value, [light.tolist(), strip.tolist()])])
    standard_error = np.std(runs, axis=0) / np.sqrt(len(runs))
    assert np.all(np.abs(np.mean(runs, axis=0) - [9, 4, 1]) < 4 * standard_error)


def test_a_stage_without_groups_of_its_own_is_refused() -> None:
    with pytest.raises(ValueError, match="must have more groups"):
        nested(np.arange(4.0), [["a", "a", "b", "b"], [1, 1, 1, 1]])
