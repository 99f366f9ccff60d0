"""What the fitted tone curve leaves of a camera's own: ``python -m tests.bench.tone [CAMERAS]``.

Simulated cameras with tone curves of another family than the fit's, each under several lamps (`tests.simulator`). For
greys on the strip's place, by their reflectance relative to the paper: relative error that all photographs of a camera
share (root mean square, bias included), and standard deviation of what differs from photograph to photograph. The first
is `calibration.observation.TONE_U`.
"""

from __future__ import annotations

import sys

import numpy as np

from shared.card import PAPER
from shared.profile import PrintProfile, read_profile
from tests import simulator
from tests.bench.samples import SAMPLES
from tests.campaign import make_lab
from tests.simulator import Array, Rng
from tests.synthetic import scaled, shoot

CAMERAS, PHOTOGRAPHS = 60, 6
GREYS = np.array([0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
PLACE_MM = (60.0, 50.0)


def errors(camera: simulator.Camera, profile: PrintProfile, rng: Rng) -> Array:
    """Relative errors (greys,) of one photograph, mean of its channels, without noise of the greys themselves."""
    shot = shoot(camera, str(rng.choice(simulator.GOOD_LAMPS)), profile, rng)
    places = np.repeat([PLACE_MM], len(GREYS), axis=0)
    x = scaled(places)
    log_light = x @ shot.exposure.slope + shot.exposure.bend * (x**2).sum(axis=1, keepdims=True)
    grey = GREYS[:, None] * simulator.on_wavelengths(profile, [PAPER])
    counts = 255 * shot.exposure.encoded(shot.exposure.linear(grey) * np.exp(log_light))
    signal, _ = shot.light.signal(counts, places)
    return np.asarray(np.log(signal / GREYS[:, None]).mean(axis=1))


def run(cameras: int = CAMERAS) -> None:
    """Print the errors of each grey."""
    designed = read_profile(SAMPLES / "card-run-007.txt")
    found = []
    for number in range(cameras):
        rng = np.random.default_rng([number, 78])
        profile, camera = make_lab(designed, rng).profile, simulator.camera(rng)
        found.append([errors(camera, profile, rng) for _ in range(PHOTOGRAPHS)])
    seen = np.array(found)
    own = seen.var(axis=1, ddof=1).mean(axis=0)
    shared = np.sqrt(np.maximum((seen.mean(axis=1) ** 2).mean(axis=0) - own / PHOTOGRAPHS, 0.0))
    print(f"\nrelative errors of greys, {cameras} cameras, {PHOTOGRAPHS} photographs each")
    for grey, of_camera, of_photograph in zip(GREYS, shared, np.sqrt(own), strict=True):
        print(f"{grey:.2f} of the paper: {of_camera:.2%} shared by a camera, {of_photograph:.2%} of a photograph")


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
