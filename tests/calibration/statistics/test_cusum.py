from pathlib import Path

import numpy as np
import pytest

from calibration.statistics.cusum import cusum, run_length, two_sided

DATA = Path(__file__).parents[2] / "data"
#: Lucas and Crosier, Technometrics 24:199, 1982, table 5: a process off from the start; limit 5, reference 0.5.
LUCAS = np.array([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6])


def test_sums_of_the_nist_handbook() -> None:
    result, high, low = np.loadtxt(DATA / "nist-handbook-cusum.csv", delimiter=",", unpack=True)
    found = cusum(result - 325.0, reference=0.3175, limit=4.1959)
    assert found.high == pytest.approx(high, abs=0.006)
    assert found.low == pytest.approx(low, abs=0.006)
    assert (found.first, found.upwards, found.onset) == (13, True, 12)


def test_head_start_of_lucas_and_crosier() -> None:
    plain, quick = cusum(LUCAS), cusum(LUCAS, head_start=2.5)
    assert plain.high == pytest.approx([0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0])
    assert quick.high == pytest.approx([2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5])
    assert (plain.first, quick.first) == (6, 2)
    assert plain.onset == 0


@pytest.mark.parametrize(("limit", "shift", "published"), [
    (4.0, 0.0, 168.0), (4.0, 1.0, 8.38), (5.0, 0.0, 465.0), (5.0, 0.5, 38.0), (5.0, 1.0, 10.4), (5.0, 2.0, 4.01)])
def test_run_lengths_of_lucas_and_crosier(limit: float, shift: float, published: float) -> None:
    """Both sums, reference 0.5: Lucas and Crosier 1982, table 1; from memory."""
    found = two_sided(run_length(shift, limit=limit), run_length(-shift, limit=limit))
    assert found == pytest.approx(published, rel=0.005)


def test_a_head_start_answers_sooner() -> None:
    """Lucas and Crosier 1982, table 1, limit 5 and head start 2.5: 6.35 values for a shift of 1; from memory."""
    assert run_length(1.0, head_start=2.5) == pytest.approx(6.35, abs=0.05)


def test_both_directions_are_alike_and_silence_is_told() -> None:
    up, down = cusum(LUCAS), cusum(-LUCAS)
    assert np.array_equal(up.high, down.low)
    assert not down.upwards
    quiet = cusum(np.zeros(4))
    assert quiet.first is None
    with pytest.raises(ValueError, match="no alarm"):
        _ = quiet.onset
