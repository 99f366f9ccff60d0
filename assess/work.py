"""The work that a treatment requires, in the unit of the loss: tasks can be forgotten."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from assess.loss import Loss
from assess.treatment.treatment import TreatedWater, Treatment
from shared.water.exchange import litres_to_exhaustion

#: Loss of draining a boiler: noticeable differences, by days between drains.
_WORK_DAYS: Final = (1.0, 3.0, 7.0, 30.0)
_WORK: Final = (0.5, 0.3, 0.1, 0.0)
#: Loss of changing a cartridge, by days between changes.
_WORK_CHANGES: Final = (14.0, 30.0, 60.0, 120.0)
_WORK_CHANGE: Final = (2.0, 1.0, 0.3, 0.0)
#: Loss of a softener, which needs salt and a drain for its brine (common practice, no source).
_WORK_SALT: Final = 2.0


def draining(days: float) -> float:
    """Return the loss of draining a boiler at an interval of ``days``."""
    return float(np.interp(days, _WORK_DAYS, _WORK))


def with_work(loss: Loss, treatment: Treatment, treated: TreatedWater, litres_per_day: float) -> Loss:
    """Return the loss with the work of this treatment."""
    work = _upkeep_work(treatment, treated, litres_per_day)
    if treated.drain is not None:
        work += draining(float(treated.drain.days))
    return msgspec.structs.replace(loss, work=work)


def _upkeep_work(treatment: Treatment, treated: TreatedWater, litres_per_day: float) -> float:
    """Work for a cartridge that is soon exhausted, and for a softener."""
    unit = treatment.unit
    if treatment.kind == "sodium-softening":
        return _WORK_SALT
    if unit is None or unit.working_eq is None or treated.load is None or litres_per_day <= 0:
        return 0.0
    days = float(np.median(litres_to_exhaustion(unit.working_eq, treated.load))) / litres_per_day
    return float(np.interp(days, _WORK_CHANGES, _WORK_CHANGE))
