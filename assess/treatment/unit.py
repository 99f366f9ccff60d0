"""A treatment unit as its data sheet states it, the catalogue of units, and levels of intervention."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Final, Literal

import msgspec

from shared.errors import FileError
from shared.files import read_toml
from shared.water.treating import capacity_from_rating

Kind = Literal[
    "none",
    "test-interval",
    "drain-and-refresh",
    "particle-filter",
    "carbon-filter",
    "scale-inhibitor",
    "softener-bypass",
    "calcite-contact",
    "mineral-dosing",
    "weak-acid-exchange",
    "magnesium-exchange",
    "sodium-softening",
    "osmosis-blend",
    "osmosis-calcite",
    "osmosis-doses",
]

#: Each kind by its level, from no change to a complete rebuild of the water (common practice, no source).
LEVEL: Final[dict[Kind, int]] = {kind: level for level, kind in enumerate(Kind.__args__)}  # type: ignore[attr-defined]


def is_membrane(kind: Kind) -> bool:
    """Return whether it is reverse osmosis, with any remineralisation."""
    return kind.startswith("osmosis")


Share = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]
Positive = Annotated[float, msgspec.Meta(gt=0.0)]
NotNegative = Annotated[float, msgspec.Meta(ge=0.0)]

#: The generic catalogue.
_SHIPPED: Final = Path(__file__).parents[1] / "data" / "treatment_units.toml"


class MineralRecipe(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Salts to dose, by formula with their crystal water, and the water they give at full strength.

    ``hardness`` and ``alkalinity`` mg/L CaCO3; ``magnesium_share`` of the hardness is magnesium.
    """

    hardness: NotNegative
    alkalinity: NotNegative
    magnesium_share: Share = 0.0
    calcium_salt: str | None = None
    magnesium_salt: str | None = None
    alkalinity_salt: str


class TreatmentUnit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One entry of a treatment catalogue. None: the data sheet does not state it.

    ``capacity_eq``: working capacity, equivalents; or, as most data sheets state it, ``rated_litres`` at
    ``rated_at_dh`` German degrees. ``capacity_litres`` and ``service_months``: when the manufacturer requires a
    change with any water. ``removal``: share of what the resin can remove that it does remove from the stream
    through it. ``rejection``, ``recovery``: of reverse osmosis; ``aired``: its permeate stays in an open tank.
    ``approach`` of contact with calcite to its equilibrium. ``inhibited_share`` of the scale is prevented up to
    ``inhibited_to_c``. ``prefilter_months``: service life of the filters upstream of a membrane. ``stock_kg``:
    salts (brine salt, calcite) in one filling. ``hours_per_visit``: labour to renew a part (default: common
    practice, no source). ``price`` of one cartridge, charge or membrane; ``price_prefilter``; ``price_salt_kg``
    of a kilogram; ``price_fitting`` of everything else, once. Standard uncertainties: ``u_removal`` and
    ``u_approach`` of these shares; ``u_passage``, relative, of what passes a membrane (its decline with age
    included); ``u_setting`` of a valve; ``u_dose``, relative, of a dosing pump.
    """

    name: str
    kind: Kind
    capacity_eq: Positive | None = None
    rated_litres: Positive | None = None
    rated_at_dh: Positive | None = None
    capacity_litres: Positive | None = None
    service_months: Positive | None = None
    removal: Share = 1.0
    bypass_settings: tuple[Share, ...] = ()
    rejection: Share | None = None
    recovery: Annotated[float, msgspec.Meta(gt=0.0, lt=1.0)] | None = None
    aired: bool = False
    approach: Share = 0.9
    recipe: MineralRecipe | None = None
    u_removal: Share = 0.03
    u_passage: Share = 0.3
    u_setting: Share = 0.02
    u_approach: Share = 0.05
    u_dose: Share = 0.05
    carbon: bool = False
    catalytic_carbon: bool = False
    inhibited_share: Share = 0.0
    inhibited_to_c: NotNegative = 0.0
    flow_l_per_h: Positive | None = None
    prefilter_months: Positive | None = None
    stock_kg: Positive | None = None
    hours_per_visit: NotNegative = 0.5
    price: NotNegative | None = None
    price_fitting: NotNegative | None = None
    price_prefilter: NotNegative | None = None
    price_salt_kg: NotNegative | None = None
    currency: str | None = None

    @property
    def working_eq(self) -> float | None:
        """Working capacity, equivalents."""
        if self.capacity_eq is not None or self.rated_litres is None or self.rated_at_dh is None:
            return self.capacity_eq
        return capacity_from_rating(self.rated_litres, self.rated_at_dh)


@dataclass(frozen=True, slots=True)
class CatalogueUnit:
    """Base of treatments with a unit: id and catalogue entry."""

    id: str
    unit: TreatmentUnit

    @property
    def kind(self) -> Kind:
        """Level of intervention."""
        return self.unit.kind

    @property
    def name(self) -> str:
        """Name for display."""
        return self.unit.name


class _Catalogue(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The file: one table ``units.<id>`` per unit."""

    units: dict[str, TreatmentUnit]


def load_units(path: str | Path | None = None) -> dict[str, TreatmentUnit]:
    """Return the catalogue at ``path`` by id, or the generic one. Raises FileError."""
    return _units_at(Path(path)) if path else dict(_shipped_units())


@cache
def _shipped_units() -> dict[str, TreatmentUnit]:
    return _units_at(_SHIPPED)


def _units_at(source: Path) -> dict[str, TreatmentUnit]:
    units = read_toml(source, _Catalogue).units
    for id_, unit in units.items():
        _check(unit, where=f"{source}: units.{id_}")
    return units


def _check(unit: TreatmentUnit, *, where: str) -> None:
    osmosis = unit.kind.startswith("osmosis")
    if osmosis and unit.rejection is None:
        raise FileError("the salt rejection of the reverse osmosis unit is missing", where=where,
                        allowed="rejection = 0 to 1")
    if (unit.rated_litres is None) != (unit.rated_at_dh is None):
        raise FileError(
            "a rating needs litres and hardness",
            where=where,
            allowed="rated_litres and rated_at_dh, or capacity_eq",
        )
    if unit.kind not in LEVEL or LEVEL[unit.kind] < LEVEL["particle-filter"] or unit.kind == "softener-bypass":
        raise FileError("not a kind of treatment unit", where=where, found=unit.kind)
    if (unit.kind in ("osmosis-doses", "mineral-dosing")) != (unit.recipe is not None):
        raise FileError(
            "only kinds osmosis-doses and mineral-dosing have a recipe, and they need one",
            where=where,
            found=f"kind {unit.kind}, {'a' if unit.recipe else 'no'} recipe",
        )
