"""Kinds of treatment without a membrane: none, filters, an inhibitor, ion exchange with a bypass, a drained boiler."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from assess.treatment import cautions as c
from assess.treatment.treatment import (
    ALL_LEFT,
    EXACT,
    MOST_BYPASS,
    BoilerDrainage,
    Disinfectant,
    ScaleCredit,
    Setting,
    TreatedWater,
    Variation,
    ions_added,
    set_to,
)
from assess.treatment.unit import CatalogueUnit, Kind, TreatmentUnit
from shared.water import Vector, Water
from shared.water.treating import decarbonated, decarbonation_limit, magnesium_for_calcium, softened


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


@dataclass(frozen=True, slots=True)
class Resin:
    """``most``: eq/L that a fresh resin can remove from a water; ``swap``: the water without that many eq/L."""

    most: Callable[[Water], Vector]
    swap: Callable[[Water, Vector], Water]
    cautions: tuple[str, ...]


RESINS: Final[dict[Kind, Resin]] = {
    "weak-acid-exchange": Resin(decarbonation_limit, decarbonated, (c.CARBONIC, c.SOFT_ACID, c.CHLORIDE_STAYS)),
    "magnesium-exchange": Resin(lambda water: 2 * water.ca, magnesium_for_calcium, (c.CHLORIDE_STAYS,)),
    "sodium-softening": Resin(
        lambda water: 2 * (water.ca + water.mg), softened, (c.SODIUM, c.CAUSTIC, c.CHLORIDE_STAYS)
    ),
}


@dataclass(frozen=True, slots=True)
class Exchange(CatalogueUnit):
    """A resin with a bypass; the setting is the share of raw water in the treated water."""

    @property
    def setting(self) -> Setting:
        """The bypass, from none to most of the water unless the unit has settings of its own."""
        return Setting("bypass", "share of raw water", 0.0, MOST_BYPASS, self.unit.bypass_settings)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Those of any cartridge, of the resin and of its carbon."""
        return (c.LOCAL_CODE, c.FLUSH, *RESINS[self.unit.kind].cautions, *carbon_cautions(self.unit))

    def treat(self, water: Water, setting: Vector | float, *, t_c: float,  # noqa: ARG002
              vary: Variation = EXACT) -> TreatedWater:
        """Return the blend of resin and bypass: its exchange is that of the share through the resin."""
        resin = RESINS[self.unit.kind]
        through = 1 - set_to(setting, vary.setting * self.unit.u_setting)
        removal = np.clip(self.unit.removal + vary.removal * self.unit.u_removal, 0.0, 1.0)
        load = through * removal * resin.most(water)
        treated = resin.swap(water, load)
        return TreatedWater(
            at_tap=treated, brought=ions_added(water, treated), load=load, disinfectant=left_by(self.unit)
        )


#: Calcium share of the hardness before the exchange (common practice, no source).
_CALCIUM_SHARE: Final = 0.75
#: Standard uncertainty of a bypass valve.
_U_SETTING: Final = 0.03
_BYPASS: Final = Setting("bypass", "share of unsoftened water", 0.0, 1.0,
                         (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.8, 1.0))


@dataclass(frozen=True, slots=True)
class SoftenerBypass:
    """The opened bypass of an existing softener; the setting is the share of unsoftened water."""

    id: str = "softener-bypass"
    kind: Kind = "softener-bypass"
    name: str = "existing softener: draw the machine's water upstream of it, or open its bypass"
    cautions: tuple[str, ...] = (c.LOCAL_CODE, c.FLUSH)
    unit: None = None
    setting: Setting = _BYPASS

    def treat(self, water: Water, setting: Vector | float, *, t_c: float,  # noqa: ARG002
              vary: Variation = EXACT) -> TreatedWater:
        """Return the blend of softened and unsoftened water."""
        share = set_to(setting, vary.setting * _U_SETTING)
        exchanged = share * _exchanged(water, vary)
        raw = water.with_(ca=water.ca + _CALCIUM_SHARE * exchanged / 2,
                          mg=water.mg + (1 - _CALCIUM_SHARE) * exchanged / 2, na=water.na - exchanged)
        return TreatedWater(at_tap=raw, brought=ions_added(water, raw))


def _exchanged(water: Water, vary: Variation) -> Vector:
    """Sodium (eq/L) that replaced hardness: between all sodium and the part that chloride does not balance."""
    natural = np.minimum(water.na, water.cl) * _even(np.asarray(vary.removal, dtype=np.float64))
    return np.maximum(water.na - natural, 0.0)


def _even(normal: Vector) -> Vector:
    """Standard normal draws as uniform draws from 0 to 1 (logistic curve, within 0.01 of the normal distribution)."""
    return np.asarray(1 / (1 + np.exp(-1.702 * normal)))
