"""Solution chemistry: waters a second on one core."""

from collections.abc import Callable
from time import perf_counter

import numpy as np

from shared.water import WaterReading, balance_charge, ccpp, ccpp_open, fully_degassed, open_to_air, speciate

WATERS = 100_000


def readings(n: int) -> WaterReading:
    """Tap waters of every kind, seeded."""
    rng = np.random.default_rng(5)
    return WaterReading(
        hardness=rng.uniform(5, 400, n),
        calcium_fraction=rng.uniform(0.2, 1, n),
        alkalinity=rng.uniform(5, 350, n),
        ph=rng.uniform(6, 9, n),
        chloride=rng.uniform(2, 250, n),
        sample_temperature=rng.uniform(5, 30, n),
    )


def run() -> None:
    """Print the best of three runs of each step; the aim is 100 000 waters a second for pH and SI."""
    reading = readings(WATERS)
    water = balance_charge(reading, strict=False).water
    steps: dict[str, Callable[[], object]] = {
        "reading closed (charge, carbon)": lambda: balance_charge(reading, strict=False),
        "pH and SI at 93 °C": lambda: speciate(water, 93.0),
        "CCPP at 93 °C, closed": lambda: ccpp(water, 93.0),
        "CCPP at 93 °C, vented": lambda: ccpp_open(water, 93.0),
        "in equilibrium with air": lambda: open_to_air(water, 25.0),
        "steam boiler at 125 °C": lambda: fully_degassed(water, 125.0),
    }
    for name, step in steps.items():
        times = []
        for _ in range(3):
            start = perf_counter()
            step()
            times.append(perf_counter() - start)
        print(f"{name:34s} {WATERS / min(times):12,.0f} waters/s")


if __name__ == "__main__":
    run()
