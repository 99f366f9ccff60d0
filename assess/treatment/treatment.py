"""What every treatment answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

from shared.water import Vector, Water

Passes = Literal["all", "none"]


@dataclass(frozen=True, slots=True)
class Setting:
    """What a technician can turn: ``name`` ("bypass", "tap fraction"), from ``low`` to ``high``."""

    name: str
    low: float
    high: float
    choices: tuple[float, ...] = ()

    def grid(self, n: int = 21) -> Vector:
        """Settings to try, shape (m,): the choices the unit has, else ``n`` even steps."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Treated:
    """The water a treatment gives, in the water's shape broadcast with the setting's.

    ``at_tap``: as it leaves, CO2 still in it; ``degassed``: the same after standing in air at 25 °C.
    ``brought``: mg/L added by the treatment, keys "Na", "K", "Cl", "SO4", "Mg" (only what rises).
    ``dose``: mg/L of each salt to weigh in. ``load``: meq the unit takes up for each litre delivered.
    ``feed_per_litre``: litres of tap water for each litre delivered.
    ``free_chlorine``, ``chloramine``: share of the tap's that is left.
    ``inhibited``: scale is held off within stated limits without a change of ions.
    """

    at_tap: Water
    degassed: Water
    brought: dict[str, Vector] = field(default_factory=dict)
    dose: dict[str, Vector] = field(default_factory=dict)
    load: Vector | None = None
    feed_per_litre: Vector | None = None
    free_chlorine: float = 1.0
    chloramine: float = 1.0
    inhibited: bool = False


class Treatment(Protocol):
    """One way to treat a water. ``setting`` may be an array that broadcasts with the water's shape."""

    @property
    def id(self) -> str:
        """Stable name, as "weak-acid-exchange"."""

    @property
    def name(self) -> str:
        """Words for a person."""

    @property
    def setting(self) -> Setting | None:
        """What can be turned; None where there is nothing to turn (then any setting given is ignored)."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind, in words for the person doing it."""

    def treat(self, water: Water, setting: Vector | float, *, t_c: float) -> Treated:
        """``water`` at ``t_c`` (°C) after this treatment at ``setting``."""

    def litres(self, treated: Treated) -> Vector | None:
        """Litres delivered until the unit is spent; None where nothing is spent or no capacity is known."""
