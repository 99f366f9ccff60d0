"""The veil of mirrored light, found from the pads of a photograph together, on simulated pads."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from calibration.common_effects import Veil, usual_veil, veils
from calibration.curve import Curve
from calibration.observation import PadObservation
from calibration.value import value_of
from shared.analytes import ANALYTES
from shared.profile import PrintProfile
from tests import simulator
from tests.loops import some
from tests.synthetic import STRIP, shoot

WATER = {"hardness": 90.0, "alkalinity": 70.0, "ph": 7.5, "chloride": 120.0, "chlorine": 1.5}


@pytest.fixture(scope="module")
def wet(curves: dict[str, Curve]) -> dict[str, Curve]:
    """The curves of strips whose veil scatters by 1 % of white."""
    return {a: msgspec.structs.replace(c, veil_sd=0.01) for a, c in curves.items()}


def photographs(profile: PrintProfile, veil: float) -> list[dict[str, PadObservation]]:
    """Twelve photographs of one water, each pad under the same veil."""
    found = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        shot = shoot(simulator.camera(rng), ("D65", "LED-B2", "A")[seed % 3], profile, rng)
        pads = {a: shot.pad(a, value, rng) for a, value in WATER.items()}
        found.append({a: replace(p, signal=p.signal + veil * p.response.white) for a, p in pads.items()})
    return found


def errors(photos: list[dict[str, PadObservation]], curves: dict[str, Curve], *, joint: bool) -> float:
    """Root mean square of the errors of all values, in shares of the curves' scales."""
    off = []
    for pads in photos:
        known = veils(pads, curves) if joint else dict.fromkeys(pads, usual_veil(curves))
        for a, pad in pads.items():
            limits = ANALYTES[a].lower, ANALYTES[a].upper
            got = value_of(pad, curves[a], STRIP.pad(a).chemistry, limits, known[a])
            off.append(float(curves[a].scale.position(got.value) - curves[a].scale.position(WATER[a])))
    return float(np.sqrt(np.mean(np.square(off))))


def test_a_veil_is_found_within_its_uncertainty(wet: dict[str, Curve], sample_profile: PrintProfile) -> None:
    """1.5 % of white over twelve photographs: each within three of its standard deviations, their mean within 0.4 %."""
    found = [v for pads in photographs(sample_profile, 0.015) for v in veils(pads, wet).values()]
    assert all(abs(v.mean - 0.015) < 3 * v.sd for v in some(found))
    assert np.mean([v.mean for v in found]) == pytest.approx(0.015, abs=0.004)
    assert all(v.sd < 0.75 * 0.01 for v in some(found)), "surer than before any pad was seen"


def test_values_are_closer_with_the_veil_of_all_pads(wet: dict[str, Curve], sample_profile: PrintProfile) -> None:
    photos = photographs(sample_profile, 0.015)
    assert errors(photos, wet, joint=True) < 0.85 * errors(photos, wet, joint=False)


def test_a_pad_of_another_colour_gives_no_information(wet: dict[str, Curve], sample_profile: PrintProfile) -> None:
    """A stain on one pad, of a colour that no veil gives: what is known of the others' veil stays."""
    pads = photographs(sample_profile, 0.0)[0]
    stained = {**pads, "ph": replace(pads["ph"], signal=pads["ph"].signal * [1.6, 0.5, 1.4])}
    without = {a: p for a, p in pads.items() if a != "ph"}
    expected, found = veils(without, wet), veils(stained, wet)
    assert expected.keys() == without.keys()
    assert [found[a].mean for a in expected] == pytest.approx([veil.mean for veil in expected.values()], abs=1e-9)


def test_a_single_pad_leaves_what_is_usual(wet: dict[str, Curve], sample_profile: PrintProfile) -> None:
    (veil,) = veils({"ph": photographs(sample_profile, 0.02)[0]["ph"]}, wet).values()
    assert veil.mean == pytest.approx(0.0, abs=1e-9)
    assert veil.sd == pytest.approx(Veil(0.0, 0.01).sd, rel=0.02)
