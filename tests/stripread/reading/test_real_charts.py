"""The comparison on photographs of any chart, on a table of a simulated camera under two lamps."""

import csv
from pathlib import Path

import numpy as np
import pytest

from shared.card import PAPER
from shared.colour import WAVELENGTHS_NM, srgb_encode
from shared.profile import PrintProfile
from tests import simulator
from tests.bench import real_charts
from tests.bench.corrections import CORRECTIONS
from tests.loops import some
from tests.photographs import CARD

#: Share of the top of the scale that white has, and noise of a patch's mean in counts.
EXPOSURE, NOISE = 0.8, 0.4


@pytest.fixture(scope="module")
def table(sample_profile: PrintProfile, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two photographs of the card's patches and paper by one simulated camera."""
    names, rng = [*CARD.patch_ids, PAPER], np.random.default_rng(3)
    spectra, camera = simulator.on_wavelengths(sample_profile, names), simulator.camera(rng)
    path = tmp_path_factory.mktemp("charts") / "charts.csv"
    with path.open("w", newline="") as file:
        lines = csv.writer(file)
        lines.writerow(["photo", "patch", "red", "green", "blue", *(f"{nm:g}" for nm in WAVELENGTHS_NM)])
        for lamp in ("D65", "LED-B3"):
            linear = simulator.relative(camera, simulator.lamp(lamp), np.vstack([spectra, spectra[-1:]]))
            counts = 255 * srgb_encode(np.clip(EXPOSURE * linear, 0, 1)) + rng.normal(0, NOISE, linear.shape)
            for name, count, spectrum in zip(names, counts, spectra[:, ::2], strict=True):
                lines.writerow([lamp, name, *count.round(2), *spectrum.round(4)])
    return path


def test_the_learned_response_predicts_best_and_states_its_error(table: Path) -> None:
    """Smaller errors than both corrections, and about 95 % of channels within their bounds."""
    for shot in some(real_charts.shots(table)):
        learned = real_charts.by_response(shot)
        others = [real_charts.by_matrix(shot, correct) for correct in CORRECTIONS.values()]
        assert all(np.median(learned.errors) < np.median(other.errors) for other in others)
        assert learned.within.mean() == pytest.approx(0.95, abs=0.05)


def test_the_table_names_photographs_and_ways(table: Path) -> None:
    text = "\n".join(real_charts.compare(table))
    assert all(f"{lamp}, {way}" in text for lamp in ("D65", "LED-B3") for way in ("3 x 3", "learned response"))


def test_errors_of_the_table(table: Path, tmp_path: Path) -> None:
    """What is missing or not a number is reported with its place."""
    lines = table.read_text().splitlines()
    for wrong, message in ((["photo,patch,red"], "columns are missing: green"), (lines[:5], "has 4 patches"),
                           ([lines[0], "a,b,x"], "line 2: not a number")):
        path = tmp_path / "wrong.csv"
        path.write_text("\n".join(wrong) + "\n")
        with pytest.raises(ValueError, match=message):
            real_charts.shots(path)
