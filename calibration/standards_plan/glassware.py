"""Balance and glassware: their ranges and tolerances.

Tolerances are the manufacturer's or a certificate's; that of glass counts as triangular, for values near the nominal
one are likelier than the extremes (Eurachem/CITAC QUAM:2012, example A1).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, hypot, log10, sqrt
from typing import Annotated, Final

import msgspec

from calibration.standards_plan.uncertainty import At, Source
from shared.water import Vector

Positive = Annotated[float, msgspec.Meta(gt=0)]
NotNegative = Annotated[float, msgspec.Meta(ge=0)]

#: Standard deviation of filling a flask to its mark, relative: 0.02 ml in 100 ml, QUAM:2012, example A1.
FILLING: Final = 2e-4
#: Expansion of water by temperature, relative per kelvin near 20 °C: QUAM:2012, example A1.
EXPANSION: Final = 2.1e-4
#: Standard deviation of one delivery where none is stated, of the tolerance: common practice, no source.
DELIVERY: Final = 1 / 3


class Balance(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``linearity_mg``: largest error of an indication; ``smallest_mg``: less than this is not weighed on it."""

    id: str
    readability_mg: Positive
    linearity_mg: NotNegative
    repeatability_mg: NotNegative
    smallest_mg: Positive
    capacity_g: Positive

    def weighed(self, mg: float, what: str) -> tuple[Source, ...]:
        """The mass and its components, mg. Linearity and rounding come twice, empty and full (QUAM:2012, A2)."""
        return (
            Source(f"mass of {what}: repeatability", mg, self.repeatability_mg, "normal"),
            Source(f"mass of {what}: linearity, empty", 0.0, self.linearity_mg, "rectangular"),
            Source(f"mass of {what}: linearity, full", 0.0, self.linearity_mg, "rectangular"),
            Source(f"mass of {what}: rounding, empty", 0.0, self.readability_mg / 2, "rectangular"),
            Source(f"mass of {what}: rounding, full", 0.0, self.readability_mg / 2, "rectangular"),
        )

    def rounded(self, mg: float) -> float:
        """The nearest mass the balance can show, mg."""
        return round(mg / self.readability_mg) * self.readability_mg


class Flask(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A one-mark flask; ``repeatability_ml``: standard deviation of filling it."""

    id: str
    volume_ml: Positive
    tolerance_ml: NotNegative
    repeatability_ml: NotNegative | None = None

    def filled(self, what: str, *, tolerance_k: float) -> tuple[Source, ...]:
        """The volume and its components, ml: tolerance, filling, and a temperature off by up to ``tolerance_k``."""
        filling = FILLING * self.volume_ml if self.repeatability_ml is None else self.repeatability_ml
        return (
            Source(f"flask {self.id}", self.volume_ml, self.tolerance_ml, "triangular"),
            Source(f"filling {what}", 0.0, filling, "normal"),
            Source(f"temperature of {what}", 0.0, EXPANSION * tolerance_k * self.volume_ml, "rectangular"),
        )


class Pipette(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A one-mark pipette."""

    id: str
    volume_ml: Positive
    tolerance_ml: NotNegative
    repeatability_ml: NotNegative | None = None

    def fill(self, wanted_ml: float) -> tuple[int, float]:
        """Number of fillings and volume of each, to come nearest to a volume."""
        return max(1, round(wanted_ml / self.volume_ml)), self.volume_ml


class Burette(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Anything that delivers a volume one chooses: a burette, a piston pipette."""

    id: str
    lowest_ml: Positive
    highest_ml: Positive
    step_ml: Positive
    tolerance_ml: NotNegative
    repeatability_ml: NotNegative | None = None

    def __post_init__(self) -> None:
        if not self.step_ml <= self.lowest_ml < self.highest_ml:
            raise ValueError(f"{self.id}: step_ml must be at most lowest_ml, and lowest_ml below highest_ml; found "
                             f"{self.step_ml:g}, {self.lowest_ml:g}, {self.highest_ml:g}")

    def fill(self, wanted_ml: float) -> tuple[int, float]:
        """Number of fillings and volume of each, to come nearest to a volume."""
        times = max(1, ceil(wanted_ml / self.highest_ml))
        return times, round(wanted_ml / times / self.step_ml) * self.step_ml


Device = Pipette | Burette


def calibration(device: Device) -> Source:
    """Calibration error of a device, ml: the same at each use."""
    return Source(f"volume of {device.id}", 0.0, device.tolerance_ml, "triangular")


@dataclass(frozen=True, slots=True)
class Draw:
    """A volume taken with a device, filled so often with so much."""

    device: Device
    times: int
    each_ml: float

    @property
    def total_ml(self) -> float:
        """The whole volume."""
        return self.times * self.each_ml

    def written(self) -> tuple[str, str]:
        """Each filling and the whole, ml, to the places the device can be read to."""
        if not isinstance(self.device, Burette):
            return f"{self.each_ml:g}", f"{self.total_ml:g}"
        places = max(0, -floor(log10(self.device.step_ml)))
        return f"{self.each_ml:.{places}f}", f"{self.total_ml:.{places}f}"

    @property
    def u(self) -> float:
        """Standard uncertainty of the whole, ml: filling it often does not average its tolerance."""
        return hypot(self.times * calibration(self.device).u, self.repeatability_ml)

    @property
    def repeatability_ml(self) -> float:
        """Standard deviation of the whole."""
        one = self.device.repeatability_ml
        return sqrt(self.times) * (DELIVERY * self.device.tolerance_ml if one is None else one)

    def measured(self, at: At, what: str) -> Vector:
        """The volume, ml; ``what`` names this delivery."""
        delivery = Source(f"delivery of {what}", 0.0, self.repeatability_ml, "normal")
        return self.total_ml + self.times * at(calibration(self.device)) + at(delivery)


#: Largest relative difference of the value reached from the value wanted that is not reported.
NEAR_ENOUGH: Final = 0.005
#: Maximum number of fillings per aliquot.
_MOST_FILLS: Final = 3


def draw(wanted_ml: float, devices: tuple[Device, ...]) -> Draw | None:
    """The way to measure a volume with the smallest uncertainty, or None if no glassware of the plan can."""
    ways = (Draw(device, *device.fill(wanted_ml)) for device in devices)
    return min((way for way in ways if _possible(way, wanted_ml)), key=lambda way: way.u, default=None)


def _possible(way: Draw, wanted_ml: float) -> bool:
    """Whether it comes near enough; a burette does, to its step, from its lowest volume on."""
    if isinstance(way.device, Burette):
        near = way.each_ml >= way.device.lowest_ml
    else:
        near = abs(way.total_ml - wanted_ml) <= NEAR_ENOUGH * wanted_ml
    return near and way.times <= _MOST_FILLS
