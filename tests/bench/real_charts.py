"""The learned response on real photographs of any chart with known spectra: ``python -m tests.bench.real_charts FILE``.

FILE is CSV with a row for each patch of each photograph: ``photo, patch, red, green, blue`` are the name of the
photograph and of the patch and the patch's mean counts of sRGB (0 to 255); the other columns are wavelengths in nm from
400 to 700, in steps of 10, with the patch's reflectance (0 to 1). The lightest patch is white. The chart must be lit
evenly: counts are linearised as sRGB, and nothing else is corrected.

Each patch is predicted from all others by a 3 x 3 matrix, by a root polynomial of degree 2 and by the learned response.
Printed for each: median and 95th percentile of the errors in CIEDE2000, and how many channels lie within their 95 %
bounds. The bounds of matrix and polynomial are 1.96 standard deviations of their residuals on the other patches.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import XYZ_FRAME, augmented
from shared.colour import WAVELENGTHS_NM, delta_e_2000, srgb_decode, xyz_to_lab
from shared.estimate import Z95
from stripread.reading.checks import errors_of_patches
from stripread.reading.patches import NEUTRAL_CHROMA, CardColours, PatchSignals, to_weights
from stripread.reading.response import learn_response
from stripread.reading.view import END_COUNTS
from tests.bench.corrections import CORRECTIONS, Correct

Array = NDArray[np.float64]

_COUNTS = ("red", "green", "blue")
_SPECTRUM = [f"{nm:g}" for nm in WAVELENGTHS_NM]
#: Patches that a root polynomial of degree 2 needs, with some to spare.
LEAST = 12


@dataclass(frozen=True)
class Shot:
    """One photograph: mean counts (n, 3) and reflectances (n, 31) of the patches."""

    photo: str
    patches: tuple[str, ...]
    counts: Array
    reflectance: Array

    @property
    def white(self) -> int:
        """The number of the lightest patch."""
        return int(np.argmax(self.reflectance.mean(axis=1)))

    @property
    def xyz(self) -> Array:
        """XYZ (n, 3) under D50 by the spectra."""
        return np.maximum(augmented(to_weights(self.reflectance)) @ XYZ_FRAME.T, 1e-4)

    def signals(self) -> PatchSignals:
        """Linear signals relative to white; channels near an end of the scale do not count."""
        white = srgb_decode(self.counts[self.white] / 255)
        step = srgb_decode((self.counts + 0.5) / 255) - srgb_decode((self.counts - 0.5) / 255)
        clear = (self.counts > END_COUNTS) & (self.counts < 255 - END_COUNTS)
        return PatchSignals(signal=srgb_decode(self.counts / 255) / white, slope=step / white, clear=clear)

    def colours(self) -> CardColours:
        """The chart as the reader sees a card; its white is the paper."""
        chroma = np.linalg.norm(xyz_to_lab(self.xyz)[:, 1:], axis=1)
        grey = frozenset(p for p, c in zip(self.patches, chroma, strict=True) if c < NEUTRAL_CHROMA)
        white = self.reflectance[self.white]
        return CardColours(ids=self.patches, reflectance=self.reflectance, covariance=None, shared=None, paper=white,
                           bed=white, neutrals=grey)


@dataclass(frozen=True)
class Result:
    """Errors (n,) of left-out patches in CIEDE2000, and which channels (m,) lie within their bounds."""

    errors: Array
    within: NDArray[np.bool_]

    def __str__(self) -> str:
        median, high = np.quantile(self.errors, [0.5, 0.95])
        return f"{median:8.2f}{high:8.2f}{self.within.mean():9.1%}"


def shots(file: Path) -> list[Shot]:
    """The photographs of a table. Raises ValueError with the line for what cannot be used."""
    rows: dict[str, list[tuple[str, list[float]]]] = {}
    with file.open(newline="", encoding="utf-8-sig") as lines:
        table = csv.DictReader(lines, skipinitialspace=True)
        if missing := [c for c in ("photo", "patch", *_COUNTS, *_SPECTRUM) if c not in (table.fieldnames or ())]:
            raise ValueError(f"{file.name}: these columns are missing: {', '.join(missing)}")
        for row in table:
            try:
                numbers = [float(row[c]) for c in (*_COUNTS, *_SPECTRUM)]
            except (TypeError, ValueError) as error:
                raise ValueError(f"{file.name}, line {table.line_num}: not a number; counts and reflectances "
                                 "must be numbers with a decimal point") from error
            rows.setdefault(row["photo"], []).append((row["patch"], numbers))
    found = []
    for photo, patches in rows.items():
        if len(patches) < LEAST:
            raise ValueError(f"{file.name}: {photo} has {len(patches)} patches; at least {LEAST} are needed")
        cells = np.array([numbers for _, numbers in patches])
        found.append(Shot(photo, tuple(name for name, _ in patches), cells[:, :3], cells[:, 3:]))
    return found


def by_matrix(shot: Shot, correct: Correct) -> Result:
    """Left-out patches by a correction fitted to the others."""
    signals, xyz = shot.signals(), shot.xyz
    rows, errors, within = np.flatnonzero(signals.whole), [], []
    for k in rows:
        others = rows[rows != k]
        known, target = signals.signal[others], xyz[others]
        spread = np.sqrt(((correct(known, known, target) - target) ** 2).sum(axis=0) / (len(others) - 3))
        got = correct(signals.signal[k][None], known, target)[0]
        errors.append(float(delta_e_2000(xyz_to_lab(np.maximum(got, 1e-4)), xyz_to_lab(xyz[k]))))
        within.append(np.abs(got - xyz[k]) < Z95 * spread)
    return Result(np.array(errors), np.ravel(within))


def by_response(shot: Shot) -> Result:
    """Left-out patches by the learned response, excluded ones included."""
    signals, colours = shot.signals(), shot.colours()
    learned = learn_response(signals, colours)
    errors, z = errors_of_patches(learned, colours)[signals.whole], learned.z[signals.whole]
    return Result(errors, np.ravel(np.abs(z) < Z95))


def compare(file: Path) -> Iterator[str]:
    """The lines of the comparison."""
    yield f"{'photograph, way':44}{'median':>8}{'95th':>8}{'within':>9}"
    for shot in shots(file):
        for name, correct in CORRECTIONS.items():
            yield f"{f'{shot.photo}, {name}':44}{by_matrix(shot, correct)}"
        yield f"{f'{shot.photo}, learned response':44}{by_response(shot)}"


def main(arguments: Sequence[str]) -> None:
    """Print the comparison of one file."""
    if len(arguments) != 1:
        raise SystemExit("usage: python -m tests.bench.real_charts FILE.csv")
    try:
        for text in compare(Path(arguments[0])):
            print(text)
    except (OSError, ValueError) as error:
        raise SystemExit(f"error: {error}") from error


if __name__ == "__main__":
    main(sys.argv[1:])
