"""The protocol of treatments, and the water they give."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, NamedTuple, Protocol

import numpy as np

from assess.treatment.unit import Kind, TreatmentUnit
from shared.water import Vector, Water, molar

#: Step of a bypass or a pump setting, as a share of the whole (common practice, no source).
_STEP: Final = 0.05
#: Largest bypass that is offered: with more, the unit has little effect.
MOST_BYPASS: Final = 0.8
#: Ions that a treatment can add: name of the total, g/mol.
_IONS: Final = {
    "Na": ("na", molar.NA),
    "K": ("k", molar.K),
    "Cl": ("cl", molar.CL),
    "SO4": ("so4", molar.SO4),
    "Mg": ("mg", molar.MG),
}


class Variation(NamedTuple):
    """Departure of a treatment from data sheet and setting: a standard normal draw for each draw of the water.

    ``removal`` of a resin, passage of a membrane or approach of calcite to equilibrium; ``setting`` of a bypass or
    blending valve; ``dose`` of a pump; ``capacity`` of a resin.
    """

    removal: Vector | float = 0.0
    setting: Vector | float = 0.0
    dose: Vector | float = 0.0
    capacity: Vector | float = 0.0


#: No departure from the data sheet.
EXACT: Final = Variation()


@dataclass(frozen=True, slots=True)
class Setting:
    """What a technician can adjust: ``name`` and unit, from ``low`` to ``high``, or only ``choices``."""

    name: str
    unit: str
    low: float
    high: float
    choices: tuple[float, ...] = ()

    def grid(self) -> Vector:
        """Return settings to simulate, shape (m,): the unit's choices, else steps of 5 %."""
        if self.choices:
            return np.asarray(self.choices)
        return np.linspace(self.low, self.high, 1 + round((self.high - self.low) / _STEP))


@dataclass(frozen=True, slots=True)
class ScaleCredit:
    """``share`` of the scale that is assumed to be prevented up to ``to_c`` (°C), for each water."""

    share: Vector | float
    to_c: Vector | float


@dataclass(frozen=True, slots=True)
class BoilerDrainage:
    """``share`` (0 to 1) of a steam boiler drained and refilled every ``days``."""

    share: float
    days: Vector


class Disinfectant(NamedTuple):
    """Remaining share of the tap's free chlorine and chloramine."""

    free_chlorine: float
    chloramine: float


#: Without carbon.
ALL_LEFT: Final = Disinfectant(1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatedWater:
    """The water that a treatment gives, in the common shape of water and setting.

    ``at_tap``: at the outlet, with its CO2. ``brought``: mg/L that the treatment adds, by ion ("Na", "K", "Cl", "SO4",
    "Mg"). ``dose``: mg/L of each salt to weigh, by formula. ``load``: eq that the unit removes from each litre
    delivered. ``feed_per_litre``: litres of tap water for each litre delivered.
    """

    at_tap: Water
    brought: dict[str, Vector] = field(default_factory=dict)
    dose: dict[str, Vector] = field(default_factory=dict)
    load: Vector | None = None
    feed_per_litre: Vector | None = None
    disinfectant: Disinfectant = ALL_LEFT
    credit: ScaleCredit | None = None
    drain: BoilerDrainage | None = None


class Treatment(Protocol):
    """A treatment of a water. ``setting`` can be an array that broadcasts with the water's shape."""

    @property
    def id(self) -> str:
        """Stable name, as "weak-acid-exchange"."""

    @property
    def kind(self) -> Kind:
        """Its level of intervention."""

    @property
    def name(self) -> str:
        """Name for display."""

    @property
    def unit(self) -> TreatmentUnit | None:
        """The catalogue entry; None if nothing is bought."""

    @property
    def setting(self) -> Setting | None:
        """What can be adjusted; None: nothing (a setting is then ignored)."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """Cautions for the person who does the work."""

    def treat(self, water: Water, setting: Vector | float, *, t_c: float, vary: Variation = EXACT) -> TreatedWater:
        """Return ``water`` at ``t_c`` (°C) after this treatment at ``setting``, with the departure ``vary``."""


def set_to(setting: Vector | float, error: Vector | float) -> Vector:
    """Return the share that a valve gives at ``setting`` with an ``error``."""
    return np.clip(np.asarray(setting, dtype=np.float64) + error, 0.0, 1.0)


def ions_added(before: Water, after: Water) -> dict[str, Vector]:
    """Return the increase from ``before`` to ``after``, mg/L by ion; ions without an increase are omitted."""
    risen = {
        ion: 1e3 * molar_mass * np.maximum(getattr(after, total) - getattr(before, total), 0.0)
        for ion, (total, molar_mass) in _IONS.items()
    }
    return {ion: mg_l for ion, mg_l in risen.items() if mg_l.max(initial=0.0) > 0}
