"""What every treatment answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, NamedTuple, Protocol

import numpy as np

from assess.treatment.levels import Kind
from assess.treatment.unit import TreatmentUnit
from shared.water import Vector, Water, molar, open_to_air

#: °C at which water standing in air is judged.
_ROOM_C: Final = 25.0
#: Steps that a head or a pump can be set to, as a share of the whole (common practice, no source).
_STEP: Final = 0.05
#: A bypass beyond this makes the unit pointless: it is not offered.
MOST_BYPASS: Final = 0.8
#: Ions a treatment may add, by the total they are counted in, g/mol.
_IONS: Final = {
    "Na": ("na", molar.NA),
    "K": ("k", molar.K),
    "Cl": ("cl", molar.CL),
    "SO4": ("so4", molar.SO4),
    "Mg": ("mg", molar.MG),
}


class Variation(NamedTuple):
    """How a treatment departs from data sheet and setting: standard normal draws, of the water's draws each one.

    ``removal`` of a resin, passage of a membrane or approach of calcite to equilibrium; ``setting`` of a bypass or
    blending valve; ``dose`` of a pump; ``capacity`` of a resin.
    """

    removal: Vector | float = 0.0
    setting: Vector | float = 0.0
    dose: Vector | float = 0.0
    capacity: Vector | float = 0.0


#: A treatment that does what its data sheet states.
EXACT: Final = Variation()


@dataclass(frozen=True, slots=True)
class Setting:
    """What a technician can turn: ``name``, its unit, from ``low`` to ``high``, or only ``choices``."""

    name: str
    unit: str
    low: float
    high: float
    choices: tuple[float, ...] = ()

    def grid(self) -> Vector:
        """Settings to try, shape (m,): the choices the unit has, else twentieths of the whole."""
        if self.choices:
            return np.asarray(self.choices)
        return np.linspace(self.low, self.high, 1 + round((self.high - self.low) / _STEP))


@dataclass(frozen=True, slots=True)
class ScaleCredit:
    """``share`` of the scale taken as held off where the water is no hotter than ``to_c`` (°C), for each water."""

    share: Vector | float
    to_c: Vector | float


@dataclass(frozen=True, slots=True)
class BoilerDrainage:
    """``share`` (0 to 1) of a steam boiler drained and refilled every ``days``."""

    share: float
    days: Vector


class Disinfectant(NamedTuple):
    """Share of the tap's free chlorine and chloramine that is left."""

    free_chlorine: float
    chloramine: float


#: Behind anything without carbon.
ALL_LEFT: Final = Disinfectant(1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatedWater:
    """The water a treatment gives, in the shape of water and setting together.

    ``at_tap``: as it leaves, CO2 still in it. ``brought``: mg/L that the treatment itself adds, by ion
    ("Na", "K", "Cl", "SO4", "Mg"). ``dose``: mg/L of each salt to weigh in, by formula. ``load``: eq the
    unit takes up for each litre delivered. ``feed_per_litre``: litres of tap water for each delivered.
    """

    at_tap: Water
    brought: dict[str, Vector] = field(default_factory=dict)
    dose: dict[str, Vector] = field(default_factory=dict)
    load: Vector | None = None
    feed_per_litre: Vector | None = None
    disinfectant: Disinfectant = ALL_LEFT
    credit: ScaleCredit | None = None
    drain: BoilerDrainage | None = None

    def degassed(self) -> Water:
        """The same after standing in air at 25 °C."""
        return open_to_air(self.at_tap, _ROOM_C)


class Treatment(Protocol):
    """One way to treat a water. ``setting`` may be an array that broadcasts with the water's shape."""

    @property
    def id(self) -> str:
        """Stable name, as "weak-acid-exchange"."""

    @property
    def kind(self) -> Kind:
        """Its level of intervention."""

    @property
    def name(self) -> str:
        """Words for a person."""

    @property
    def unit(self) -> TreatmentUnit | None:
        """The catalogue's entry; None where nothing is bought."""

    @property
    def setting(self) -> Setting | None:
        """What can be turned; None where there is nothing to turn (then any setting given is ignored)."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind, in words for the person doing it."""

    def treat(self, water: Water, setting: Vector | float, *, t_c: float, vary: Variation = EXACT) -> TreatedWater:
        """``water`` at ``t_c`` (°C) after this treatment at ``setting``, which departs from it by ``vary``."""


def set_to(setting: Vector | float, error: Vector | float) -> Vector:
    """The share a valve gives that was turned to ``setting`` and is off by ``error``."""
    return np.clip(np.asarray(setting, dtype=np.float64) + error, 0.0, 1.0)


def ions_added(before: Water, after: Water) -> dict[str, Vector]:
    """What rose from ``before`` to ``after``, mg/L by ion; ions that rise nowhere are left out."""
    risen = {
        ion: 1e3 * molar_mass * np.maximum(getattr(after, total) - getattr(before, total), 0.0)
        for ion, (total, molar_mass) in _IONS.items()
    }
    return {ion: mg_l for ion, mg_l in risen.items() if mg_l.max(initial=0.0) > 0}
