"""Recording of work on treatment units: impossible entries are rejected, the site is assessed again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from assess.treatment.options import treatment_of
from assess.treatment.unit import TreatmentUnit
from shared.errors import InputError
from stripread.intake.reassess import AssessmentChange, assess_imported
from stripread.intake.unit_history import services
from stripread.store.errors import RecordsError
from stripread.store.models.sites import Job, Service, Unit
from stripread.store.store import Store

#: Work that changes the treated water, or which unit it passes.
_CHANGES: Final[tuple[Job, ...]] = ("installed", "setting changed", "removed", "cartridge changed")
#: Work with which a meter may be replaced or reset.
_RESETS: Final[tuple[Job, ...]] = ("installed", "cartridge changed")


def record_service(store: Store, made: Service) -> list[AssessmentChange]:
    """Store a service and assess the site's waters again; return the changed assessments.

    Raises RecordsError for a setting that the unit does not have, a meter that runs backwards, or work on a unit before
    its installation.
    """
    unit, before = store.get(Unit, made.unit), services(store, store.get(Unit, made.unit))
    check_setting(unit.catalogue, unit.unit, made.setting, f"unit {unit.id}")
    _check_meter(before, made)
    _check_order(before, made)
    with store.writing(made.account) as transaction:
        transaction.put(made, made.job, made.note)
    if made.job not in _CHANGES and made.setting is None:
        return []
    return assess_imported(store, made.account, [made])


def check_setting(catalogue_id: str, unit: TreatmentUnit, setting: float | None, where: str) -> None:
    """Raise RecordsError for a setting that a unit does not have; None: no setting is stated."""
    if setting is None:
        return
    try:
        known = treatment_of(catalogue_id, unit).setting
    except InputError:
        known = None
    if known is None:
        raise RecordsError("this unit has no setting", where=f"{where} ({unit.name})", found=f"setting {setting:g}",
                           remedy="omit --setting")
    if known.choices and not any(abs(setting - c) < 5e-3 for c in known.choices):
        raise RecordsError("the unit does not have this setting", where=f"{where} ({unit.name})",
                           found=f"{setting:g}", allowed=", ".join(f"{c:g}" for c in known.choices),
                           remedy="read the position on the head; bypass_settings in your catalogue lists the marks")


def _check_meter(before: Sequence[Service], made: Service) -> None:
    if made.litres is None or made.job in _RESETS:
        return
    earlier = [s for s in before if s.litres is not None and s.at <= made.at]
    later = [s for s in before if s.litres is not None and s.at > made.at and s.job not in _RESETS]
    last = earlier[-1] if earlier else None
    if last is not None and last.litres is not None and made.litres < last.litres:
        raise RecordsError("the meter runs backwards", where=f"unit {made.unit}", found=f"{made.litres:g} L",
                           allowed=f"{last.litres:g} L or more (reading of {last.at:%Y-%m-%d})",
                           remedy='read the meter again; a meter is reset only with "installed" or "cartridge changed"')
    after = later[0] if later and not any(s.job in _RESETS and made.at < s.at < later[0].at for s in before) else None
    if after is not None and after.litres is not None and made.litres > after.litres:
        raise RecordsError("the meter runs backwards", where=f"unit {made.unit}", found=f"{made.litres:g} L",
                           allowed=f"{after.litres:g} L or less (reading of {after.at:%Y-%m-%d})",
                           remedy="read the meter again, or correct the day")


def _check_order(before: Sequence[Service], made: Service) -> None:
    first = next((s for s in before if s.job == "installed"), None)
    if first is not None and made.at < first.at and made.job != "installed":
        raise RecordsError("this work is dated before the unit was installed", where=f"unit {made.unit}",
                           found=f"{made.at:%Y-%m-%d}", allowed=f"{first.at:%Y-%m-%d} or later",
                           remedy="correct the day of the work or of the installation")
