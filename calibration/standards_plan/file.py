"""The plan as a person writes it, in TOML: available chemicals and equipment, required levels."""

from __future__ import annotations

from typing import Annotated, Final, Literal

import msgspec

from calibration.standards_plan.glassware import Balance, Burette, Flask, NotNegative, Pipette, Positive
from calibration.standards_plan.salts import COUNTS, SaltLot
from shared.files import decode_toml

#: Largest plan, bytes: ten times that of a usual one.
MOST_PLAN_BYTES: Final = 40_000
Name = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*$", max_length=40)]
Prefix = Annotated[str, msgspec.Meta(pattern=r"^[A-Z]{1,3}$")]
Ph = Annotated[float, msgspec.Meta(ge=0, le=14)]


class WeighingOrder(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A stock made by weighing. ``weighed_g``: what the balance showed, once it has been done."""

    id: Name
    salt: str
    strength_g_l: Positive
    flask: str
    weighed_g: Positive | None = None


class DilutionOrder(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A stock made weaker: ``take_ml`` of the stock ``of`` made up in the flask."""

    id: Name
    of: str
    take_ml: Positive
    flask: str


class Titration(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Iodometric titration of a hypochlorite stock with thiosulfate: ``titres_ml`` of equal portions.

    ``portion_ml`` is taken with the pipette ``pipette``; ``blank_ml`` is what the reagents alone use up.
    """

    pipette: str
    portion_ml: Positive
    burette: str
    thiosulfate_mol_l: Positive
    thiosulfate_tolerance: NotNegative
    titres_ml: Annotated[tuple[Positive, ...], msgspec.Meta(min_length=1)]
    blank_ml: NotNegative = 0.0


class Hypochlorite(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A chlorine stock: ``take_ml`` of the product made up in the flask, good for the day it was titrated.

    ``chloride_per_chlorine``, ``alkali_per_chlorine``: moles of NaCl and NaOH with a mole of hypochlorite,
    each ± its tolerance. Making it leaves one of NaCl; the rest is common practice, no source.
    """

    id: Name
    product: str
    lot: str
    take_ml: Positive
    flask: str
    expected_mg_l: Positive
    chloride_per_chlorine: NotNegative = 1.0
    chloride_tolerance: NotNegative = 0.2
    alkali_per_chlorine: NotNegative = 0.1
    alkali_tolerance: NotNegative = 0.1
    titration: Titration | None = None


class Buffer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A pH buffer bought ready: ``ph`` at the laboratory's temperature, by its certificate."""

    id: Name
    ph: Ph
    tolerance: NotNegative
    lot: str
    ph_per_k: float = 0.0
    role: Literal["standard", "check"] = "standard"


class Column(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The levels of one analyte, one a solution, all in one unit."""

    unit: str
    levels: tuple[float | str, ...]


class Family(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Solutions made alike: ``id`` with a number is each one's name; ``stocks`` in order of preference.

    ``levels`` by analyte; those of the first one rise. ``calcium_share``: of the hardness, 0 to 1; without it
    the stocks that come first are preferred.
    """

    id: Prefix
    stocks: Annotated[tuple[str, ...], msgspec.Meta(min_length=1)]
    flask: str
    levels: Annotated[dict[str, Column], msgspec.Meta(min_length=1)]
    name: str = ""
    role: Literal["standard", "check"] = "standard"
    calcium_share: Annotated[float, msgspec.Meta(ge=0, le=1)] | None = None


class BlankWater(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The concentration of an analyte in the deionised water."""

    unit: str
    value: NotNegative = 0.0
    u: NotNegative


class Reference(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value found by titration or a laboratory, with its standard uncertainty; it takes precedence."""

    solution: str
    analyte: str
    value: float
    u: Positive
    unit: str
    method: str

    def __post_init__(self) -> None:
        known = (*COUNTS, "ph")
        if self.analyte not in known:
            raise ValueError(f"no such analyte: {self.analyte!r}; allowed: {', '.join(known)}")


class PlanFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole plan. Tables of the same kind repeat, as ``[[flask]]`` does."""

    format: Literal["standards-plan/1"]
    title: str
    batch: Name
    balance: Balance
    flasks: Annotated[tuple[Flask, ...], msgspec.Meta(min_length=1)] = msgspec.field(name="flask")
    lights: Annotated[tuple[Name, ...], msgspec.Meta(min_length=1)]
    photographs_per_light: Annotated[int, msgspec.Meta(ge=1, le=9)] = 1
    temperature_c: Annotated[float, msgspec.Meta(ge=5, le=40)] = 20.0
    temperature_tolerance_k: NotNegative = 4.0
    blanks: dict[str, BlankWater] = msgspec.field(name="blank", default={})
    pipettes: tuple[Pipette, ...] = msgspec.field(name="pipette", default=())
    burettes: tuple[Burette, ...] = msgspec.field(name="burette", default=())
    salts: tuple[SaltLot, ...] = msgspec.field(name="salt", default=())
    weighed: tuple[WeighingOrder, ...] = msgspec.field(name="stock", default=())
    diluted: tuple[DilutionOrder, ...] = msgspec.field(name="dilution", default=())
    hypochlorites: tuple[Hypochlorite, ...] = msgspec.field(name="hypochlorite", default=())
    buffers: tuple[Buffer, ...] = msgspec.field(name="buffer", default=())
    families: tuple[Family, ...] = msgspec.field(name="family", default=())
    references: tuple[Reference, ...] = msgspec.field(name="reference", default=())


def read_plan(data: bytes, where: str) -> PlanFile:
    """The plan in a TOML text, each value checked by itself. Raises FileError naming the key."""
    return decode_toml(data, PlanFile, where=where)
