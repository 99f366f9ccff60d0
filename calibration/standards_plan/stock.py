"""Stock solutions: weighed, diluted, or titrated hypochlorite; their concentrations with uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import mean, stdev
from typing import Protocol

import numpy as np

from calibration.standards_plan.file import Hypochlorite, Titration, WeighingOrder
from calibration.standards_plan.glassware import Balance, Burette, Draw, Flask, calibration
from calibration.standards_plan.salts import COUNTS, MOLAR_MASS_RELATIVE_U, Composition, Substance
from calibration.standards_plan.uncertainty import At, Source, nominal
from shared.water import Vector


class Stock(Protocol):
    """A solution to make others of."""

    @property
    def id(self) -> str:
        """As in the plan."""

    @property
    def standardised(self) -> bool:
        """Whether its concentration is known well enough to certify dilutions of it."""

    def composition(self, at: At) -> Composition:
        """mmol/L of each ion."""


@dataclass(frozen=True, slots=True)
class FilledFlask:
    """A flask made up to its mark for ``what``."""

    flask: Flask
    what: str
    tolerance_k: float

    def litres(self, at: At) -> Vector:
        """Its volume."""
        return np.asarray(sum(at(s) for s in self.flask.filled(self.what, tolerance_k=self.tolerance_k))) / 1e3


@dataclass(frozen=True, slots=True)
class WeighedStock:
    """``planned_mg``: the mass to weigh; the weighed mass takes precedence."""

    order: WeighingOrder
    substance: Substance
    balance: Balance
    made: FilledFlask
    standardised: bool = True

    @property
    def id(self) -> str:
        """As in the plan."""
        return self.order.id

    @property
    def planned_mg(self) -> float:
        """Mass to weigh, mg, as the balance can show it."""
        return self.balance.rounded(self.order.strength_g_l * self.made.flask.volume_ml)

    @property
    def mass_mg(self) -> float:
        """Mass weighed or, before that, planned, mg."""
        return self.planned_mg if self.order.weighed_g is None else 1e3 * self.order.weighed_g

    def mass_concentration(self, at: At) -> Vector:
        """mg/L of the pure salt (QUAM:2012, example A1)."""
        lot = self.substance.lot
        purity = Source(f"purity of {lot.key}, lot {lot.lot}", lot.purity, lot.purity_tolerance, "rectangular")
        mass = np.asarray(sum(at(s) for s in self.balance.weighed(self.mass_mg, self.id)))
        return mass * at(purity) / self.made.litres(at)

    def composition(self, at: At) -> Composition:
        """mmol/L of each ion."""
        m = self.substance.molar_mass
        molar_mass = Source(f"molar mass of {self.substance.formula}", m, MOLAR_MASS_RELATIVE_U * m, "rectangular")
        mmol = self.mass_concentration(at) / at(molar_mass)
        return {ion: n * mmol for ion, n in self.substance.ions.items()}


@dataclass(frozen=True, slots=True)
class DilutedStock:
    """So much of another stock made up in a flask."""

    id: str
    of: Stock
    draw: Draw
    made: FilledFlask

    @property
    def standardised(self) -> bool:
        """As the stock it is made of."""
        return self.of.standardised

    def composition(self, at: At) -> Composition:
        """mmol/L of each ion."""
        share = self.draw.measured(at, f"{self.of.id} to {self.id}") / 1e3 / self.made.litres(at)
        return {ion: share * mmol for ion, mmol in self.of.composition(at).items()}


@dataclass(frozen=True, slots=True)
class StockTitration:
    """A titration with the ware it was done with."""

    done: Titration
    portion: Draw
    burette: Burette

    def chlorine(self, at: At) -> Vector:
        """mmol/L of Cl2: it frees as much iodine, which takes two of thiosulfate (Standard Methods 4500-Cl B)."""
        thiosulfate = Source("thiosulfate", self.done.thiosulfate_mol_l, self.done.thiosulfate_tolerance,
                             "rectangular")
        titre = at(self._titre) + at(calibration(self.burette))
        return 1e3 * titre * at(thiosulfate) / 2 / self.portion.measured(at, "the portion titrated")

    @property
    def _titre(self) -> Source:
        """The mean titre less the blank, ml; repeated at best as well as a burette delivers once."""
        titres = self.done.titres_ml
        once = Draw(self.burette, 1, titres[0]).repeatability_ml
        u = max(once, stdev(titres) if len(titres) > 1 else 0.0) / len(titres) ** 0.5
        return Source("titre", mean(titres) - self.done.blank_ml, u, "normal")


@dataclass(frozen=True, slots=True)
class HypochloriteStock:
    """Sodium hypochlorite with the salt and alkali it comes with; its concentration is unknown until it is titrated."""

    order: Hypochlorite
    titrated: StockTitration | None

    @property
    def id(self) -> str:
        """As in the plan."""
        return self.order.id

    @property
    def standardised(self) -> bool:
        """Whether it was titrated."""
        return self.titrated is not None

    @property
    def strength_mg_l(self) -> float:
        """Free chlorine, mg/L Cl2: found or expected."""
        return float(self._chlorine(nominal)) * COUNTS["chlorine"]["OCl"]

    def composition(self, at: At) -> Composition:
        """mmol/L of each ion."""
        o = self.order
        salt = Source(f"salt in {o.product}", o.chloride_per_chlorine, o.chloride_tolerance, "rectangular")
        alkali = Source(f"alkali in {o.product}", o.alkali_per_chlorine, o.alkali_tolerance, "rectangular")
        hypochlorite = self._chlorine(at)
        anions = {"OCl": hypochlorite, "Cl": at(salt) * hypochlorite, "OH": at(alkali) * hypochlorite}
        return {"Na": np.asarray(sum(anions.values())), **anions}

    def _chlorine(self, at: At) -> Vector:
        if self.titrated is not None:
            return self.titrated.chlorine(at)
        return np.asarray(self.order.expected_mg_l / COUNTS["chlorine"]["OCl"])


def add(compositions: Mapping[str, Composition]) -> Composition:
    """Compositions of parts of one solution together."""
    ions = dict.fromkeys(ion for c in compositions.values() for ion in c)
    return {ion: np.asarray(sum(c[ion] for c in compositions.values() if ion in c)) for ion in ions}
