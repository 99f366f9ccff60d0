"""Ways of correcting colour and of using several calibration lights, compared on a set of photographs.

    python -m tests.bench.corrections SET     SET has calibration/standards.csv, card-run-*.txt and photographs with
                                        a truth file next to each (field/, or the set's own folder)

Corrections: a 3 x 3 matrix and a root polynomial of degree 2 (Cheung et al. 2004; Finlayson, Mackiewicz and
Hurlbert 2015; both from colour-science), each fitted to the patches of the photograph, and the learned spectral
response. Charts: one mean curve over the calibration lights, the curve of the light whose patches err most
alike, and all lights joined as spectra. Errors count in tolerances: the larger of a share and a floor.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from colour import characterisation
from numpy.typing import NDArray

from calibration.chart import Chart
from calibration.scale import candidates
from calibration.standards import read_standards
from calibration.value import value_of
from shared.analytes import ANALYTES
from shared.card import default_card
from shared.colour import lab_to_xyz, xyz_to_lab
from shared.profile import read_profile
from shared.strip import default_strip
from stripread.reading.calibrate import Material, ObservedStandard, fit_batch, observe_standards
from stripread.reading.observe import Observation, observe
from stripread.reading.photo_file import load_photo

Array = NDArray[np.float64]
Correct = Callable[[Array, Array, Array], Array]

#: What an error is counted in: share of the truth, floor in the analyte's unit. Common practice, no source.
TOLERANCE = {"hardness": (0.12, 6.0), "alkalinity": (0.12, 6.0), "ph": (0.0, 0.1), "chloride": (0.15, 8.0),
             "chlorine": (0.2, 0.1)}


def matrix(rgb: Array, patches: Array, xyz: Array) -> Array:
    """XYZ of signals by the 3 x 3 matrix that takes the patches' signals to their XYZ."""
    return np.asarray(characterisation.colour_correction_Cheung2004(rgb, patches, xyz, terms=3), dtype=np.float64)


def root_polynomial(rgb: Array, patches: Array, xyz: Array) -> Array:
    """XYZ of signals by the root polynomial of degree 2 that takes the patches' signals to their XYZ."""
    return np.asarray(characterisation.colour_correction_Finlayson2015(rgb, patches, xyz, degree=2), dtype=np.float64)


CORRECTIONS: dict[str, Correct] = {"3 x 3": matrix, "root polynomial": root_polynomial}


@dataclass(frozen=True)
class Case:
    """A photograph with what is known of it."""

    seen: Observation
    truth: dict[str, float]
    light: str
    camera: str

    def lab(self, correct: Correct) -> tuple[dict[str, Array], Array]:
        """CIELAB of each pad by a correction, and the patches' residuals (n, 3) in CIELAB, NaN if unused."""
        used = self.seen.learned.used
        ids = [p.id for p in self.seen.patches]
        target = lab_to_xyz(self.seen.profile.lab_of(ids))
        signal = self.seen.signals.signal
        pads = {p.pad.analyte: correct(p.observation.signal[None], signal[used], target[used])[0]
                for p in self.seen.pads}
        back = xyz_to_lab(np.maximum(correct(signal, signal[used], target[used]), 1e-4))
        residual = np.where(used[:, None], back - self.seen.profile.lab_of(ids), np.nan)
        return {a: xyz_to_lab(np.maximum(x, 1e-4)) for a, x in pads.items()}, residual


def tolerances(analyte: str, truth: float, value: float) -> float:
    """An error in units of its tolerance."""
    share, floor = TOLERANCE[analyte]
    return abs(value - truth) / max(share * truth, floor)


class LabChart:
    """Mean CIELAB at each level, joined by straight lines along the scale; the nearest point is the value."""

    def __init__(self, cases: Sequence[Case], correct: Correct) -> None:
        self.curves = {}
        seen = [(c, c.lab(correct)[0]) for c in cases]
        for analyte in TOLERANCE:
            rows = [(c.truth[analyte], lab[analyte]) for c, lab in seen if analyte in c.truth]
            levels = sorted({v for v, _ in rows})
            if len(levels) < 3:
                continue
            mean = np.array([np.mean([lab for v, lab in rows if v == level], axis=0) for level in levels])
            scale = candidates(levels[0], levels[-1])[0 if analyte == "ph" else 4]
            x = np.linspace(0, 1, 801)
            at = scale.position(np.array(levels))
            self.curves[analyte] = (scale.value(x), np.column_stack([np.interp(x, at, mean[:, k]) for k in range(3)]))

    def value(self, analyte: str, lab: Array) -> float:
        """The value whose colour lies nearest in CIELAB."""
        values, curve = self.curves[analyte]
        return float(values[np.argmin(((curve - lab) ** 2).sum(axis=1))])


def by_lab(train: Sequence[Case], test: Sequence[Case], correct: Correct, *, nearest: bool) -> list[tuple[Case, float]]:
    """Errors of a correction with one mean chart, or with the chart of the light whose patches err most alike."""
    lights = sorted({c.light for c in train})
    groups = {k: [c for c in train if c.light == k] for k in lights} if nearest else {"": list(train)}
    charts = {k: LabChart(g, correct) for k, g in groups.items()}
    typical = {k: _typical([c.lab(correct)[1] for c in g]) for k, g in groups.items()}
    errors = []
    for case in test:
        pads, residual = case.lab(correct)
        chart = charts[min(groups, key=lambda k: float(np.nanmean((typical[k] - residual) ** 2)))]
        known = {a: v for a, v in case.truth.items() if a in chart.curves}
        errors += [(case, tolerances(a, v, chart.value(a, pads[a]))) for a, v in known.items()]
    return errors


def _typical(residuals: Sequence[Array]) -> Array:
    """Mean residual (n, 3) of each patch over photographs; NaN where it was never used."""
    stack = np.array(residuals)
    n = np.isfinite(stack).sum(axis=0)
    return np.asarray(np.where(n > 0, np.nansum(stack, axis=0) / np.maximum(n, 1), np.nan))


def by_spectra(chart: Chart, test: Sequence[Case]) -> list[tuple[Case, float]]:
    """Errors of the learned response with all lights joined as spectra."""
    errors = []
    for case in test:
        for pad in case.seen.pads:
            a, curve = pad.pad.analyte, chart.curve(pad.pad.analyte)
            if curve is not None and a in case.truth:
                limits = ANALYTES[a].lower, ANALYTES[a].upper
                read = value_of(pad.observation, curve, pad.pad.chemistry, limits)
                errors.append((case, tolerances(a, case.truth[a], read.value)))
    return errors


def summary(errors: Sequence[tuple[Case, float]]) -> str:
    """Median and 95th percentile."""
    units = [e for _, e in errors]
    return f"{np.median(units):.2f} / {np.quantile(units, 0.95):.2f}" if units else "-"


def field_cases(folder: Path, material: Material) -> list[Case]:
    """Photographs with a truth file next to each."""
    cases = []
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        seen = observe(load_photo(path.with_suffix(".jpg")), material.card, material.strip, [material.profile])
        if isinstance(seen, Observation) and seen.pads:
            values = {a: float(p["value"]) for a, p in truth["pads"].items()}
            cases.append(Case(seen, values, truth["scene"]["name"], truth["scene"]["camera"]))
    return cases


def standards_cases(seen: Sequence[ObservedStandard]) -> list[Case]:
    """The standards as photographs with known values."""
    return [Case(s.observed, {a: c.value for a, c in s.row.certified.items()}, s.row.light, "") for s in seen]


def compare(folder: Path) -> None:
    """Print the table for one set."""
    table = folder / "calibration" / "standards.csv"
    profile = read_profile(next(folder.glob("card-run-*.txt")))
    material = Material(default_card(), default_strip(), profile, table, "bench")
    rows = read_standards(table, {p.analyte: p.unit for p in material.strip.pads})
    seen, _ = observe_standards(rows, material)
    seen = [s for s in seen if s.row.role == "standard"]
    train, field = standards_cases(seen), field_cases(folder / "field", material)
    lights, cameras = sorted({c.light for c in train}), sorted({c.camera for c in field})
    print(f"{len(train)} standards, {len(field)} field photographs; median / 95th percentile in tolerances")
    print("| " + " | ".join(["correction, chart", "field", *cameras, *(f"{k} left out" for k in lights)]) + " |")
    print("|---" * (2 + len(cameras) + len(lights)) + "|")
    for name, run in _ways(seen).items():
        whole = run(train, field)
        cells = [summary(whole)] + [summary([e for e in whole if e[0].camera == k]) for k in cameras]
        for light in lights:
            kept, out = ([c for c in train if (c.light == light) == is_out] for is_out in (False, True))
            cells.append(summary(run(kept, out)))
        print(f"| {name} | " + " | ".join(cells) + " |")


def _ways(
    seen: Sequence[ObservedStandard],
) -> dict[str, Callable[[Sequence[Case], Sequence[Case]], list[tuple[Case, float]]]]:
    ways: dict[str, Callable[[Sequence[Case], Sequence[Case]], list[tuple[Case, float]]]] = {}
    for name, correct in CORRECTIONS.items():
        for chart, nearest in (("one mean chart", False), ("chart of the most alike light", True)):
            ways[f"{name}, {chart}"] = lambda a, b, f=correct, n=nearest: by_lab(a, b, f, nearest=n)  # type: ignore[misc]
    material = Material(default_card(), default_strip(), seen[0].observed.profile, Path(__file__), "bench")

    def spectral(train: Sequence[Case], test: Sequence[Case]) -> list[tuple[Case, float]]:
        kept = {id(c.seen) for c in train}
        return by_spectra(fit_batch([s for s in seen if id(s.observed) in kept], material).chart, test)

    ways["learned response, lights joined as spectra"] = spectral
    return ways


if __name__ == "__main__":
    compare(Path(sys.argv[1]))
