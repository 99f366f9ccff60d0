"""Salts in a steam boiler, against worked numbers and a second way to each."""

from math import inf

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from shared.errors import InputError
from shared.water.boiler import SteamBoiler, drain_and_refill
from shared.water.indices import scale_grams, scale_millimetres

#: Kilograms a day, none or at least ten grams.
flows = st.just(0.0) | st.floats(0.01, 30)
boilers = st.builds(SteamBoiler, mass=st.floats(0.5, 20), steam_per_day=flows, drained_per_day=flows)


def test_no_drain_concentrates_without_end() -> None:
    """1.5 kg boiler, 3 kg of steam a day: 21 times after ten days, chloride 20 becomes 420 mg/L (by hand)."""
    boiler = SteamBoiler(mass=1.5, steam_per_day=3.0)
    assert boiler.cycles(10.0) == pytest.approx(21.0)
    assert boiler.steady_cycles == inf
    assert boiler.days_until(21.0) == pytest.approx(10.0)


def test_draining_settles_at_feed_over_drained() -> None:
    """Draining 1 kg a day with 3 kg of steam: four times (cycles of concentration, any boiler handbook)."""
    boiler = SteamBoiler(mass=1.5, steam_per_day=3.0, drained_per_day=1.0)
    assert boiler.steady_cycles == pytest.approx(4.0)
    assert boiler.cycles(1e3) == pytest.approx(4.0)
    assert boiler.days_until(4.0) == inf


@given(boilers, st.floats(0.1, 30), st.floats(1, 50))
@settings(deadline=None)
def test_cycles_solve_the_mass_balance(boiler: SteamBoiler, days: float, start: float) -> None:
    """d(M N)/dt = feed - N drained, integrated numerically."""
    feed = boiler.steam_per_day + boiler.drained_per_day

    def rate(_: float, n: np.ndarray) -> np.ndarray:
        return (feed - boiler.drained_per_day * n) / boiler.mass

    solved = solve_ivp(rate, (0.0, days), [start], rtol=1e-8, atol=1e-8, method="LSODA")
    assert boiler.cycles(days, start) == pytest.approx(float(solved.y[0, -1]), rel=1e-5)


@given(boilers, st.floats(0.5, 30), st.floats(0.05, 1))
@settings(deadline=None)
def test_peak_is_where_repeated_drains_settle(boiler: SteamBoiler, days: float, share: float) -> None:
    """Drain after drain, four hundred times."""
    cycles = 1.0
    for _ in range(400):
        cycles = boiler.cycles(days, drain_and_refill(cycles, share))
    assert boiler.peak_cycles(days, share) == pytest.approx(cycles, rel=1e-5)


@given(boilers, st.floats(0.1, 1), st.floats(1.5, 20))
@settings(deadline=None)
def test_drain_interval_keeps_the_peak(boiler: SteamBoiler, share: float, cycles: float) -> None:
    """A boiler that settles below these cycles needs no draining."""
    interval = boiler.drain_interval(cycles, share)
    assert np.isfinite(interval) == (cycles < boiler.steady_cycles)
    assume(np.isfinite(interval))
    assert boiler.peak_cycles(interval, share) == pytest.approx(cycles, rel=1e-6)


def test_impossible_boilers() -> None:
    for wrong in ({"mass": 0.0, "steam_per_day": 1.0}, {"mass": 1.0, "steam_per_day": -1.0}):
        with pytest.raises(InputError, match="this boiler is impossible"):
            SteamBoiler(**wrong)


def test_scale_in_grams_and_millimetres() -> None:
    """41.7 mg/L, 30 L a day for a year: 0.46 kg; on 0.1 m2 with a fifth of pores 2.1 mm (by hand, 2710 kg/m3)."""
    grams = scale_grams(41.7, 30 * 365)
    assert float(grams) == pytest.approx(457, abs=1)
    assert float(scale_millimetres(grams, 0.1)) == pytest.approx(2.1, abs=0.02)
    assert float(scale_grams(-12.0, 100.0)) == 0
