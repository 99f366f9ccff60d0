"""Full analyses of invented waters, drawn from published ranges, and what a strip shows of them."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from assess.criteria import criteria_for
from assess.draws import draw, interval
from assess.equipment import Equipment
from assess.inputs.sample import Sample, completed
from assess.inputs.text import sample_from_typed
from assess.limits import load_limits
from shared.water import (
    STEAM_PCO2,
    STEAM_PCO2_SD,
    Water,
    WaterReading,
    balance_charge,
    ccpp,
    ccpp_open,
    si_model_sd,
    speciate,
)


@dataclass(frozen=True)
class Analysis:
    """A water with all its ions, its temperature (°C), and the errors of data and gas that are true of it."""

    water: Water
    temperature: float
    model_error: float
    gas_error: float

    def strip(self, rng: np.random.Generator) -> Sample:
        """What a strip shows of it: five values with errors of the uncertainty that is stated with them."""
        values = {"hardness": (self.water.hardness, 0.08, "mg/L CaCO3"),
                  "alkalinity": (self.water.alkalinity_caco3, 0.08, "mg/L CaCO3"),
                  "chloride": (self.water.chloride_mg_l, 0.1, "mg/L")}
        texts = {k: f"{max(float(v) * (1 + u * rng.standard_normal()), 1.0):.5g} ± {1.96 * u * float(v):.4g} {unit}"
                 for k, (v, u, unit) in values.items()}
        ph = float(speciate(self.water, self.temperature).ph) + 0.1 * rng.standard_normal()
        return sample_from_typed(texts | {"ph": f"{ph:.3f} ± 0.196", "temperature": f"{self.temperature:.2f} ± 0.5 °C"})

    def scale(self, equipment: Equipment) -> list[float]:
        """The full calculation for each boiler, mg/L CaCO3."""
        brew, steam = equipment.boilers
        error = [self.model_error * float(si_model_sd(b.temperature_c)) for b in equipment.boilers]
        boiled = ccpp_open(self.water.scaled(steam.cycles), steam.temperature_c, pco2=STEAM_PCO2, si_offset=error[1],
                           gas_offset=self.gas_error * STEAM_PCO2_SD)
        return [float(ccpp(self.water, brew.temperature_c, si_offset=error[0])), float(boiled) / steam.cycles]


def analyses(n: int, seed: int) -> Iterator[Analysis]:
    """``n`` waters.

    Ranges: hardness classes of USGS (Durfor & Becker 1964), soft to very hard; pH of 40 CFR 143.3; a calcium share of
    0.5 to 0.95 and sulfate to 100 mg/L (common practice, no source). Sodium and further sulfate balance the charge.
    """
    rng = np.random.default_rng(seed)
    while n:
        hardness = rng.uniform(15, 400)
        reading = WaterReading(
            hardness=hardness, calcium_fraction=float(np.clip(rng.normal(0.75, 0.115), 0.3, 1.0)),
            alkalinity=hardness * rng.uniform(0.5, 1.1), ph=rng.uniform(6.8, 8.3), chloride=rng.uniform(5, 120),
            sample_temperature=15.0, sulfate=abs(rng.normal(25, 25)))
        try:
            water = balance_charge(reading).water
        except ValueError:
            continue
        n -= 1
        yield Analysis(water, 15.0, rng.standard_normal(), rng.standard_normal())


def covered(n: int, equipment: Equipment, seed: int = 11) -> list[tuple[bool, ...]]:
    """For each water and boiler whether the 95 % interval from its strip contains the full calculation."""
    rng, found = np.random.default_rng(seed), []
    for analysis in analyses(n, seed):
        feed = draw(completed(analysis.strip(rng)), rng, 1000).feed
        scales = [c for c in criteria_for(equipment, load_limits()) if c.limit.measure == "scale"]
        intervals = [interval(c.quantity(feed)) for c in scales]
        found.append(tuple(i.low <= true <= i.high
                           for i, true in zip(intervals, analysis.scale(equipment), strict=True)))
    return found
