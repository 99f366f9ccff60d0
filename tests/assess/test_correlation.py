"""Correlated values of one photograph: carried by readings and samples, drawn from, and joined by replicates."""

from collections.abc import Callable
from typing import Any

import msgspec
import numpy as np
import pytest

from assess.draws import Feed, central, correlated, draw, quantiles
from assess.inputs.sample import Sample, completed
from assess.inputs.text import samples_from_lines
from shared.estimate import Z95, Correlation, Estimate, Part
from shared.water import Vector, speciate
from stripread.reading.pooling import joint_correlations
from stripread.reading.result import PadReading, Provenance, Reading
from tests.loops import some

UNITS = {"alkalinity": "mg/L CaCO3", "ph": "pH"}


def photograph(name: str, r: float, shared: float, u: float = 1.0) -> Reading:
    """A reading of two pads, 60 mg/L CaCO3 and pH 7.5, both with this standard uncertainty."""
    pads = tuple(PadReading(
        analyte=a, unit=unit, lab=None, lab_covariance=None, px=(0.0, 0.0), outline_px=((0.0, 0.0),) * 4,
        status="measured", value=v, low=v - Z95 * u, high=v + Z95 * u,
        budget=(Part(name="pad pixels", u=u, shared=False),))
        for (a, unit), v in zip(UNITS.items(), (60.0, 7.5), strict=True))
    made = Provenance(software="", photo_sha256=name, pixels_sha256=name, chart="c", batch="c", profile="")
    return Reading(photo=name, status="measured", reason="", flags=(), provenance=made, pads=pads,
                   correlations=(Correlation(analytes=("alkalinity", "ph"), r=r, shared=shared),))


def test_correlated_draws() -> None:
    """Correlation coefficients as asked for, to four standard errors; those that contradict one another are shrunk."""
    rng = np.random.default_rng(1)
    normal = {a: rng.standard_normal(20_000) for a in "abc"}
    drawn = correlated(normal, [Correlation(analytes=("a", "b"), r=0.5), Correlation(analytes=("b", "c"), r=-0.3)])
    assert np.corrcoef([drawn[a] for a in "abc"])[np.triu_indices(3, 1)] == pytest.approx([0.5, 0.0, -0.3], abs=0.03)
    torn = correlated(normal, [Correlation(analytes=pair, r=r) for pair, r in
                               ((("a", "b"), 0.9), (("b", "c"), 0.9), (("a", "c"), -0.9))])
    assert all(np.std(v) == pytest.approx(1, abs=0.03) for v in some(torn.values()))


@pytest.mark.parametrize("r", [0.5, -0.5])
def test_the_interval_of_saturation_contains_the_covariance(tap: Callable[..., Any], r: float) -> None:
    """The variance changes by 2 r u(pH) u(alkalinity) times the two slopes of the index (JCGM 100:2008, 5.2.2)."""

    def sample(**shift: float) -> Sample:
        found: Sample = tap(alkalinity=f"{60 + shift.get('alkalinity', 0)} ± 6 mg/L CaCO3",
                            ph=f"{7.5 + shift.get('ph', 0)} ± 0.1").sample
        return found

    def index(feed: Feed) -> Vector:
        return speciate(feed.water, 25.0).si_calcite

    def slope(of: str, step: float) -> float:
        low, high = (index(central(completed(sample(**{of: way * step})))).item() for way in (-1, 1))
        return float(high - low) / (2 * step)

    def variance(*alike: Correlation) -> float:
        inputs = completed(msgspec.structs.replace(sample(), correlations=alike))
        low, _, high = quantiles(index(draw(inputs, np.random.default_rng(3), 10_000).feed))
        return float((high - low) / (2 * Z95)) ** 2

    change = variance(Correlation(analytes=("alkalinity", "ph"), r=r)) - variance()
    effect = [slope(of, half / 4) * half / Z95 for of, half in (("alkalinity", 6.0), ("ph", 0.1))]
    assert change == pytest.approx(2 * r * effect[0] * effect[1], rel=0.15)


def test_lines_carry_correlations() -> None:
    """What `read --json` prints is what `assess` draws from; a pair without both values is dropped."""
    reading = photograph("a.jpg", 0.5, 0.2)
    (sample,) = samples_from_lines(msgspec.json.encode(reading).decode(), "lines")
    assert isinstance(sample, Sample)
    assert sample.correlations == reading.correlations
    alone = msgspec.structs.replace(reading, pads=reading.pads[:1])
    (sample,) = samples_from_lines(msgspec.json.encode(alone).decode(), "lines")
    assert isinstance(sample, Sample)
    assert sample.correlations == ()


def test_joint_correlations() -> None:
    """By hand, two photographs: their own covariance is halved, a mismatch in common stays, one in part is between."""
    readings = [photograph("a.jpg", 0.5, 0.2), photograph("b.jpg", 0.5, 0.2)]
    joint = [msgspec.structs.replace(p, budget=(Part(name="pad pixels", u=0.5**0.5, shared=False),))
             for p in readings[0].pads]
    for common, covariance in ((1.0, 0.15 + 0.2), (0.5, 0.15 + 0.15), (0.0, 0.15 + 0.1)):
        (found,) = joint_correlations(readings, joint, common)
        assert found.r == pytest.approx(covariance / 0.5, abs=1e-3)


def test_impossible_correlations_are_rejected() -> None:
    for analytes, r in ((("ph", "ph"), 0.5), (("ph", "hardness"), 1.2)):
        with pytest.raises(ValueError, match="must be from -1 to 1"):
            Correlation(analytes=analytes, r=r)


def test_one_sided_values_are_drawn_independently() -> None:
    """A bound has no error that another value could share."""
    rng = np.random.default_rng(2)
    bound = Estimate(analyte="hardness", value=5.0, low=0.0, high=5.0, unit="mg/L CaCO3", status="below")
    ph = Estimate(analyte="ph", value=7.5, low=7.4, high=7.6, unit="pH")
    sample = Sample(name="", origin="strip", estimates=(bound, ph),
                    correlations=(Correlation(analytes=("hardness", "ph"), r=0.9),))
    drawn = draw(completed(sample), rng, 2000).inputs
    assert abs(np.corrcoef(drawn["hardness"], drawn["ph"])[0, 1]) < 0.1
