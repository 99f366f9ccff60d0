"""The sample photographs that the benchmarks use, and a chart made from them once."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from calibration.chart import Chart
from calibration.standards import read_standards
from shared.card import default_card
from shared.profile import PrintProfile, read_profile
from shared.strip import default_strip
from stripread.reading.calibrate import Material, fit_batch, observe_standards

SAMPLES = Path(__file__).parents[2] / "sample_images"
SITES = sorted((SAMPLES / "sites").glob("*.jpg"))


@cache
def chart_and_profile() -> tuple[Chart, PrintProfile, Path]:
    """The samples' chart, their print run's profile, and the profile's file."""
    path = next(SAMPLES.glob("card-run-*.txt"))
    table = SAMPLES / "standards" / "standards.csv"
    material = Material(default_card(), default_strip(), read_profile(path), table, "bench")
    rows = read_standards(table, {p.analyte: p.unit for p in material.strip.pads})
    seen, bad = observe_standards(rows, material)
    return fit_batch(seen, material, bad).chart, material.profile, path
