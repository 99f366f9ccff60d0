"""A diagnosis in words: what the treated water shows, and what to do in which order."""

from __future__ import annotations

from typing import Final

from assess.diagnosis.result import STATED, UnitDiagnosis
from assess.diagnosis.upstream import Upstream
from assess.treatment.treatment import Treatment

_NAMES: Final = {
    "working": "the unit works", "setting_off": "wrong setting", "exhausted": "exhausted",
    "swapped": "swapped sample", "not_explained": "another cause"}
#: Probability that the unit works from which nothing needs to be checked.
_AGREES: Final = 0.8
_AIRED: Final = " The pH fits water that has lost CO2 on standing: measure pH right at the outlet."
_CARBON: Final = " Chlorine passes: the carbon is exhausted."


def sentence(found: UnitDiagnosis, unit: Treatment, upstream: Upstream, *, aired: bool) -> str:
    """Return what the treated water shows."""
    carbon = _CARBON if found.carbon >= STATED else ""
    return _finding(found, unit, upstream) + carbon + (_AIRED if aired else "")


def _finding(found: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    match found.state:
        case "working" | "carbon-exhausted":
            return "The treated water agrees with the prediction within its uncertainty."
        case "setting-off":
            return f"The treated water does not fit the setting on file: {_position(found, unit, upstream)}."
        case "exhausted":
            return "The treated water is closer to the feed water than predicted: the unit is exhausted."
        case "swapped":
            return ("Feed water and treated water do not fit this unit in any state: the samples were swapped, or both "
                    "were taken at one tap, or the unit is bypassed.")
        case "not-explained":
            return ("Neither setting nor exhaustion nor swapped samples explain the treated water: the feed water may "
                    "have changed.")
        case _:
            return _undecided(found)


def _undecided(found: UnitDiagnosis) -> str:
    if found.possible[0] == "working":
        return ("The treated water agrees with the prediction; the unit works with a probability of "
                f"{100 * found.probabilities.working:.0f} %, a fault that gives the same water cannot be excluded.")
    return f"Cannot be distinguished: {', '.join(_possible(found))}."


def _possible(found: UnitDiagnosis) -> list[str]:
    return [f"{_NAMES[name]} ({100 * getattr(found.probabilities, name):.0f} %)" for name in found.possible]


def _position(found: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    name = unit.setting.name if unit.setting else "setting"
    if found.acts_like is None:
        return f"check the {name}"
    at, low, high = (100 * share for share in found.acts_like)
    on_file = "" if upstream.installed.setting is None else f", not {100 * upstream.installed.setting:.0f} %"
    return f"the {name} is at about {at:.0f} % ({low:.0f} to {high:.0f} %){on_file}"


def action(found: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    """Return what to do about the unit; empty if it works."""
    match found.state:
        case "working":
            return ""
        case "carbon-exhausted":
            return f"change the carbon of {unit.name}"
        case "setting-off":
            return f"turn {unit.name} to {_set_to(unit, upstream)} and test again: {_position(found, unit, upstream)}"
        case "exhausted":
            return f"change the cartridge of {unit.name}"
        case "swapped" | "not-explained":
            return f"test tap and treated water of {unit.name} again on the same day, and label each sample"
        case _:
            return _checks(found, unit, upstream)


def _set_to(unit: Treatment, upstream: Upstream) -> str:
    setting = upstream.installed.setting
    name = unit.setting.name if unit.setting else "setting"
    return f"its {name}" if setting is None else f"{name} {100 * setting:.0f} %"


def _checks(found: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    """Return the checks that distinguish what is possible, the least effort first."""
    possible, steps = found.possible, []
    if possible[0] == "working":
        sure = found.probabilities.working >= _AGREES
        return "" if sure else f"test tap and treated water of {unit.name} again on the same day"
    if "setting_off" in possible:
        steps.append(f"check the head of {unit.name} ({_set_to(unit, upstream)} on file)")
    if "swapped" in possible or "not_explained" in possible:
        steps.append("test tap and treated water again on the same day")
    if "exhausted" in possible:
        steps.append("change the cartridge")
    return ", then ".join(steps) or f"test tap and treated water of {unit.name} again on the same day"
