"""The work a treatment makes, in the units of the loss: what must not be forgotten has its price."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from assess.loss import Loss
from assess.treatment.treatment import TreatedWater, Treatment
from shared.water.exchange import litres_to_exhaustion

#: Whoever drains a boiler every day or every few days works for it: noticeable differences, by days between drains.
_WORK_DAYS: Final = (1.0, 3.0, 7.0, 30.0)
_WORK: Final = (0.5, 0.3, 0.1, 0.0)
#: So does whoever changes a cartridge: by days between changes.
_WORK_CHANGES: Final = (14.0, 30.0, 60.0, 120.0)
_WORK_CHANGE: Final = (2.0, 1.0, 0.3, 0.0)
#: A softener needs salt, a drain for its brine and somebody who sees to both (common practice, no source).
_WORK_SALT: Final = 2.0


def draining(days: float) -> float:
    """The work of draining a boiler every so many days."""
    return float(np.interp(days, _WORK_DAYS, _WORK))


def with_work(loss: Loss, treatment: Treatment, treated: TreatedWater, litres_per_day: float) -> Loss:
    """The loss with the work of this treatment."""
    work = _upkeep_work(treatment, treated, litres_per_day)
    if treated.drain is not None:
        work += draining(float(treated.drain.days))
    return msgspec.structs.replace(loss, work=work)


def _upkeep_work(treatment: Treatment, treated: TreatedWater, litres_per_day: float) -> float:
    """Of a cartridge that is soon exhausted, and of a softener that is fed with salt."""
    unit = treatment.unit
    if treatment.kind == "sodium-softening":
        return _WORK_SALT
    if unit is None or unit.working_eq is None or treated.load is None or litres_per_day <= 0:
        return 0.0
    days = float(np.median(litres_to_exhaustion(unit.working_eq, treated.load))) / litres_per_day
    return float(np.interp(days, _WORK_CHANGES, _WORK_CHANGE))
