"""Curves of a simulated batch, for tests that need no photographs."""

import numpy as np
import pytest

from calibration.curve import Curve
from shared.profile import PrintProfile
from tests.synthetic import calibrated


@pytest.fixture(scope="session")
def curves(sample_profile: PrintProfile) -> dict[str, Curve]:
    return calibrated(sample_profile, np.random.default_rng(3))
