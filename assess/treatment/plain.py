"""Treatments that change no ion: none, filters, an inhibitor, another test interval, a drained boiler."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from assess.treatment import cautions as c
from assess.treatment.treatment import (
    ALL_LEFT,
    EXACT,
    BoilerDrainage,
    Disinfectant,
    ScaleCredit,
    Setting,
    TreatedWater,
    Variation,
)
from assess.treatment.unit import Kind, TreatmentUnit
from shared.water import Vector, Water


def left_by(unit: TreatmentUnit) -> Disinfectant:
    """Return what a ``unit`` leaves: plain carbon removes free chlorine, catalytic carbon chloramine as well."""
    carbon = unit.carbon or unit.catalytic_carbon
    return Disinfectant(0.0 if carbon else 1.0, 0.0 if unit.catalytic_carbon else 1.0)


def carbon_cautions(unit: TreatmentUnit) -> tuple[str, ...]:
    """Return the cautions for a ``unit`` that removes the disinfectant."""
    if unit.catalytic_carbon:
        return (c.DISINFECTANT,)
    return (c.DISINFECTANT, c.CHLORAMINE) if unit.carbon else ()


@dataclass(frozen=True, slots=True)
class PlainTreatment:
    """A treatment that does not change the ions."""

    id: str
    name: str
    cautions: tuple[str, ...]
    unit: TreatmentUnit | None = None
    disinfectant: Disinfectant = ALL_LEFT
    credit: ScaleCredit | None = None
    setting: None = None

    @property
    def kind(self) -> Kind:
        """Kind of its unit, or its own."""
        return _OWN[self.id] if self.unit is None else self.unit.kind

    def treat(self, water: Water, setting: Vector | float = 0.0, *, t_c: float,  # noqa: ARG002
              vary: Variation = EXACT) -> TreatedWater:  # noqa: ARG002
        """Return the same ions, without what carbon removes, with the credit of an inhibitor."""
        return TreatedWater(at_tap=water, disinfectant=self.disinfectant, credit=self.credit)


_OWN: Final[dict[str, Kind]] = {"none": "none", "test-interval": "test-interval"}
NONE: Final = PlainTreatment("none", "no treatment", (c.KEEP_TESTING,))
TEST_INTERVAL: Final = PlainTreatment("test-interval", "no treatment; only test at another interval", (c.KEEP_TESTING,))


def filter_of(id_: str, unit: TreatmentUnit) -> PlainTreatment:
    """Return a particle filter, with or without carbon."""
    cautions = (c.LOCAL_CODE, c.FLUSH, *carbon_cautions(unit))
    return PlainTreatment(id_, unit.name, cautions, unit, left_by(unit))


def inhibitor_of(id_: str, unit: TreatmentUnit) -> PlainTreatment:
    """Return a dosed inhibitor: it is assumed to prevent a stated share of the scale up to a temperature.

    The credit is the catalogue's. Polyphosphate hydrolyses to orthophosphate in hot water, so a steam boiler gets no
    credit (common practice, no source).
    """
    cautions = (c.LOCAL_CODE, c.FLUSH, c.INHIBITOR, *carbon_cautions(unit))
    credit = ScaleCredit(unit.inhibited_share, unit.inhibited_to_c)
    return PlainTreatment(id_, unit.name, cautions, unit, left_by(unit), credit)


#: Intervals that a café can be expected to follow (common practice, no source).
_DRAINS: Final = Setting("interval", "days", 1.0, 30.0, (1.0, 2.0, 3.0, 7.0, 14.0, 30.0))


@dataclass(frozen=True, slots=True)
class DrainAndRefresh:
    """A share of the steam boiler drained and refilled at an interval: the setting is its days."""

    share: float = 0.5
    id: str = "drain-and-refresh"
    name: str = "draining and refilling of the steam boiler at an interval"
    cautions: tuple[str, ...] = (c.HOT_DRAIN,)
    unit: None = None
    setting: Setting = _DRAINS
    kind: Kind = "drain-and-refresh"

    def treat(self, water: Water, setting: Vector | float, *, t_c: float,  # noqa: ARG002
              vary: Variation = EXACT) -> TreatedWater:  # noqa: ARG002
        """Return the same water, with the boiler drained every ``setting`` days."""
        return TreatedWater(at_tap=water, drain=BoilerDrainage(self.share, np.asarray(setting, dtype=np.float64)))
