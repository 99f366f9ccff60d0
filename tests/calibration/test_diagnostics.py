"""Standards that do not belong with the rest, and curves that should not be trusted: made from good standards.

The rules are published (Grubbs and ISO 5725-2:2019; Iglewicz and Hoaglin 1993) and tested as such in
tests/calibration/statistics; here they meet photographs.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.cross_validation import without_levels, without_lights
from calibration.diagnostics import check_levels, suspects, warnings_of
from calibration.fit import CurveFit, fitted
from calibration.observation import StandardObservation
from calibration.standards import CertifiedValue, StandardRow
from shared.errors import FileError
from shared.strip import default_strip
from stripread.reading.calibrate import Calibration
from tests.loops import some

PH = default_strip().pad("ph")
Change = Callable[[StandardObservation], StandardObservation]


@pytest.fixture(scope="module")
def buffers(sample_calibration: Calibration) -> list[StandardObservation]:
    """The pH pads of the samples' buffers."""
    return list(next(f for f in sample_calibration.fits if f.curve.analyte == "ph").process.standards)


def fit(standards: list[StandardObservation]) -> CurveFit:
    return fitted("ph", "pH", standards)


def test_good_buffers_are_unsuspected_and_predict_one_another(buffers: list[StandardObservation]) -> None:
    good = fit(buffers)
    assert not list(suspects(good))
    assert not list(warnings_of(good, PH))
    inner = [r for r in without_levels(good) if not r.whole]
    assert len(inner) == 12
    assert sum(r.covered for r in inner) >= len(inner) - 2, "of twelve 95 % intervals, three miss in 2 % of cases"
    for light in some(without_lights(good)):
        assert light.covered >= light.n - 1


def test_swapped_standards_are_reported(buffers: list[StandardObservation]) -> None:
    other = {6.8: 7.6, 7.6: 6.8}
    swapped = fit([replace(s, value=other.get(s.value, s.value)) for s in buffers])
    assert any("swapped" in text for text in warnings_of(swapped, PH))


def test_a_photograph_of_the_wrong_solution_is_named(buffers: list[StandardObservation]) -> None:
    wrong = next(i for i, s in enumerate(buffers) if s.value == 7.6)
    stray = next(s for s in buffers if s.value == 8.0)
    mixed = [*buffers[:wrong], replace(buffers[wrong], pad=stray.pad), *buffers[wrong + 1 :]]
    assert buffers[wrong].photo in {s.photo for s in suspects(fit(mixed))}


def test_copies_of_a_photograph_are_no_replicates(buffers: list[StandardObservation]) -> None:
    first = {s.value: s for s in reversed(buffers)}
    copies = fit([replace(first[s.value], photo=s.photo) for s in buffers])
    assert any("more closely than strips can" in text for text in warnings_of(copies, PH))


def test_a_level_outside_the_strip_type_is_refused() -> None:
    row = StandardRow(Path("p.jpg"), "P08", "standard", "window", {"ph": CertifiedValue(9.0, 0.02)}, where="t.csv:5")
    check_levels(PH, [row])
    with pytest.raises(FileError, match=r"t\.csv:5, column ph: .* strip type's range; found P08 with 10 pH; allowed: "
                                        "6 to 9 pH"):
        check_levels(PH, [row, replace(row, certified={"ph": CertifiedValue(10.0, 0.02)})])


def test_the_order_of_the_table_is_no_matter(buffers: list[StandardObservation]) -> None:
    """Levels as they come, downwards or in no order, give the same curve."""
    one, other = fit(buffers).curve, fit([*buffers[::-2], *buffers[-2::-2]]).curve
    assert (one.scale, [v.value for v in one.levels]) == (other.scale, [v.value for v in other.levels])
    values = np.linspace(6, 9, 31)
    assert np.abs(one.lab(values) - other.lab(values)).max() < 1e-6


def test_three_levels_are_too_few(buffers: list[StandardObservation]) -> None:
    with pytest.raises(FileError, match=r"too few levels for a curve; found 3 \(6, 7\.2, 9 pH\)"):
        fit([s for s in buffers if s.value in {6.0, 7.2, 9.0}])
