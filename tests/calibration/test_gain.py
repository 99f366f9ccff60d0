"""What more photographs would gain, foretold and then done.

Parts of the budget add up as squares, shared ones stay in the mean of replicates (JCGM 100:2008, 5.1.2 and 5.2.2).
That a Gaussian process's covariance does not depend on what was seen: Rasmussen and Williams 2006, eq. 2.26.
"""

from math import hypot, sqrt

import pytest

from calibration.fit import Fitted, fitted
from calibration.gain import gain
from shared.strip import IntrinsicU
from stripread.reading.calibrate import Calibration

CHEMISTRY = IntrinsicU(relative=0.02, absolute=0.0)


@pytest.fixture(scope="module", params=["hardness", "chloride"])
def fit(request: pytest.FixtureRequest, sample_calibration: Calibration) -> Fitted:
    return next(f for f in sample_calibration.fits if f.curve.analyte == request.param)


def test_the_parts_make_the_whole_and_no_photograph_makes_it_worse(fit: Fitted) -> None:
    found = gain(fit, CHEMISTRY)
    assert found.u == pytest.approx(hypot(*(p.u for p in found.parts)))
    assert [p.u for p in found.parts] == sorted((p.u for p in found.parts), reverse=True)
    assert {m.kind for m in found.moves} == {"replicates", "levels", "light", "strips"}
    assert all(m.u <= found.u for m in found.moves)
    assert [m.u for m in found.moves] == sorted(m.u for m in found.moves)


def test_two_strips_halve_the_variance_that_strips_do_not_share(fit: Fitted) -> None:
    found = gain(fit, CHEMISTRY)
    shared, own = (hypot(*(p.u for p in found.parts if p.shared is s)) for s in (True, False))
    assert next(m.u for m in found.moves if m.kind == "strips") == pytest.approx(sqrt(shared**2 + own**2 / 2))
    assert {p.name for p in found.parts if p.shared} == {"chart", "lighting mismatch", "strip chemistry"}


def test_the_resolution_of_hardness_is_what_is_improved(sample_calibration: Calibration) -> None:
    """60 mg/L is what matters (common practice, no source); 50 is the level next to it."""
    hardness = next(f for f in sample_calibration.fits if f.curve.analyte == "hardness")
    assert gain(hardness, CHEMISTRY).value == 50


def test_one_more_light_gains_what_was_foretold(fit: Fitted) -> None:
    """Standards of the window alone; what a strip of each under a lamp was to gain, and what the lamps' bring."""
    window = [s for s in fit.process.standards if s.light == "window"]
    alone = fitted(fit.curve.analyte, fit.curve.unit, window)
    found = gain(alone, CHEMISTRY)
    foretold = next(m for m in found.moves if m.kind == "light")
    assert foretold.photographs == len(fit.process.levels) == len(fit.process.standards) - len(window)
    chart_then, chart_now = (next(p.u for p in g.parts if p.name == "chart") for g in (found, gain(fit, CHEMISTRY)))
    foretold_chart = sqrt(foretold.u**2 - found.u**2 + chart_then**2)
    assert foretold_chart == pytest.approx(chart_now, rel=0.35), "other lamps and a new shape of the process aside"
    assert foretold_chart < 0.95 * chart_then


def test_replicates_under_one_light_do_not_average_out_what_it_hides(fit: Fitted) -> None:
    """The mismatch of a light is common to its photographs, so another light gains at least as much as replicates.

    To within 2 %: what patches cannot show of the camera remains under any light.
    """
    window = [s for s in fit.process.standards if s.light == "window"]
    moves = {m.kind: m.u for m in gain(fitted(fit.curve.analyte, fit.curve.unit, window), CHEMISTRY).moves}
    assert moves["light"] < 1.02 * moves["replicates"]
