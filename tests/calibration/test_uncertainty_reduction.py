"""What more photographs would gain, foretold and then done.

Parts of the budget add up as squares, shared ones stay in the mean of replicates (JCGM 100:2008, 5.1.2 and 5.2.2).
That a Gaussian process's covariance does not depend on what was seen: Rasmussen and Williams 2006, eq. 2.26.
"""

from math import hypot, sqrt

import numpy as np
import pytest

from calibration.fit import CurveFit, fitted
from calibration.uncertainty_reduction import gain
from shared.profile import PrintProfile
from shared.strip import IntrinsicU
from stripread.reading.calibrate import Calibration
from tests.campaign import Design, make_lab, standards

CHEMISTRY = IntrinsicU(relative=0.02, absolute=0.0)


@pytest.fixture(scope="module", params=["hardness", "chloride"])
def fit(request: pytest.FixtureRequest, sample_calibration: Calibration) -> CurveFit:
    return next(f for f in sample_calibration.fits if f.curve.analyte == request.param)


def test_the_parts_make_the_whole_and_no_photograph_makes_it_worse(fit: CurveFit) -> None:
    found = gain(fit, CHEMISTRY)
    assert found.u == pytest.approx(hypot(*(p.u for p in found.parts)))
    assert [p.u for p in found.parts] == sorted((p.u for p in found.parts), reverse=True)
    assert {m.kind for m in found.moves} == {"replicates", "levels", "light", "strips"}
    assert all(m.u <= found.u for m in found.moves)
    assert [m.u for m in found.moves] == sorted(m.u for m in found.moves)


def test_two_strips_halve_the_variance_that_strips_do_not_share(fit: CurveFit) -> None:
    found = gain(fit, CHEMISTRY)
    shared, own = (hypot(*(p.u for p in found.parts if p.shared is s)) for s in (True, False))
    assert next(m.u for m in found.moves if m.kind == "strips") == pytest.approx(sqrt(shared**2 + own**2 / 2))
    assert {p.name for p in found.parts if p.shared} == {"chart", "lighting mismatch", "strip chemistry"}


def test_the_resolution_of_hardness_is_what_is_improved(sample_calibration: Calibration) -> None:
    """60 mg/L is what matters (common practice, no source); 50 is the level next to it."""
    hardness = next(f for f in sample_calibration.fits if f.curve.analyte == "hardness")
    assert gain(hardness, CHEMISTRY).value == 50


@pytest.mark.parametrize("analyte", ["hardness", "chloride"])
def test_one_more_light_gains_at_least_what_was_predicted(analyte: str, sample_profile: PrintProfile) -> None:
    """Simulated standards under one light, what a second one was to gain, and what a second one brings.

    The prediction is for a light that shows the same differences between spectra as the present one; another lamp shows
    others, which readings on site need.
    """
    rng = np.random.default_rng(3)
    lab = make_lab(sample_profile, rng)
    both = standards(lab, Design(lights=2, strips=1, cameras=1), rng, ((analyte,),))[analyte]
    one = [s for s in both if s.light == both[0].light]
    found, after = (gain(fitted(analyte, "mg/L", seen), CHEMISTRY) for seen in (one, both))
    foretold = next(m for m in found.moves if m.kind == "light")
    assert foretold.photographs == len(one) == len(both) - len(one)
    then, now = (next(p.u for p in budget.parts if p.name == "chart") for budget in (found, after))
    foretold_chart = sqrt(foretold.u**2 - found.u**2 + then**2)
    assert now < foretold_chart < 0.95 * then


def test_replicates_under_one_light_do_not_average_out_what_it_hides(fit: CurveFit) -> None:
    """The mismatch of a light is common to its photographs, so another light gains at least as much as replicates.

    To within 2 %: what patches cannot show of the camera remains under any light.
    """
    window = [s for s in fit.process.standards if s.light == "window"]
    moves = {m.kind: m.u for m in gain(fitted(fit.curve.analyte, fit.curve.unit, window), CHEMISTRY).moves}
    assert moves["light"] < 1.02 * moves["replicates"]
