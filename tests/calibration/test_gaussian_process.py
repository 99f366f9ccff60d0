"""The process of a chart's curve: its gradient by differences, and covariances of products by random draws."""

from dataclasses import astuple

import numpy as np
import pytest

from calibration.gaussian_process import KernelParameters, SpectralGP
from calibration.observation import LightMismatch
from calibration.scale import candidates
from shared.profile import PrintProfile
from tests.campaign import Design, make_lab, standards

DRAWS = 200_000


@pytest.fixture(scope="module")
def process(sample_profile: PrintProfile) -> SpectralGP:
    """Hardness standards under two lights, solved."""
    rng = np.random.default_rng(5)
    seen = standards(make_lab(sample_profile, rng), Design(2, 1, 1), rng, [("hardness",)])["hardness"]
    values = [s.value for s in seen]
    solved = SpectralGP(seen, candidates(min(values), max(values))[0])
    solved.solve(solved.shape, rounds=3)
    return solved


@pytest.mark.parametrize("which", range(len(astuple(KernelParameters()))))
def test_gradient_of_the_likelihood_by_differences(process: SpectralGP, which: int) -> None:
    """Central differences of each parameter, to 0.1 %."""
    at = np.array(astuple(process.shape))
    step = np.zeros_like(at)
    step[which] = 1e-4 * at[which]
    above, below = (process.trial(KernelParameters(*(at + sign * step).tolist()))[0] for sign in (1, -1))
    assert process.trial(process.shape)[1][which] == pytest.approx((above - below) / (2 * step[which]), rel=1e-3)


def test_noise_under_one_light_contains_products_of_errors() -> None:
    """Random errors of a lamp's response and of the spectra of two levels: covariance of the errors, to 2 %."""
    rng = np.random.default_rng(2)
    response, spectra = rng.normal(0, 1, (13, 13)), rng.normal(0, 0.3, (24, 24))
    mismatch, between = response @ response.T, spectra @ spectra.T
    seen = np.column_stack([np.ones(2), rng.normal(0, 1, (2, 12))])
    light = LightMismatch(np.array([0, 1]), np.array([mismatch]), np.array([mismatch]))
    h = rng.normal(0, 1, (DRAWS, 13)) @ response.T
    w = (rng.normal(0, 1, (DRAWS, 24)) @ spectra.T).reshape(-1, 2, 12)
    error = np.einsum("di,ni->dn", h, seen) + np.einsum("di,dni->dn", h[:, 1:], w)
    stated = light.common(seen, np.array([0, 1]), between.reshape(2, 12, 2, 12))[0]
    scale = np.sqrt(np.outer(np.diag(stated), np.diag(stated)))
    assert np.cov(error.T) / scale == pytest.approx(stated / scale, abs=0.02)
