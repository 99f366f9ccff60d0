"""Activated carbon, which may sit in a unit of any kind."""

from __future__ import annotations

from assess.treatment import cautions as c
from assess.treatment.treatment import Disinfectant
from assess.treatment.unit import TreatmentUnit


def left_by(unit: TreatmentUnit) -> Disinfectant:
    """What a sound ``unit`` leaves: plain carbon takes free chlorine, catalytic carbon chloramine too."""
    carbon = unit.carbon or unit.catalytic_carbon
    return Disinfectant(0.0 if carbon else 1.0, 0.0 if unit.catalytic_carbon else 1.0)


def carbon_cautions(unit: TreatmentUnit) -> tuple[str, ...]:
    """What to mind where ``unit`` takes out the disinfectant."""
    if unit.catalytic_carbon:
        return (c.DISINFECTANT,)
    return (c.DISINFECTANT, c.CHLORAMINE) if unit.carbon else ()
