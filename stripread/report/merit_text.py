"""A curve's figures of merit in words, each with what it means."""

from __future__ import annotations

from collections.abc import Iterator

from calibration.merit import USEFUL_PH, USEFUL_SHARE, Merit
from shared.rounding import significant


def merit_facts(merit: Merit) -> Iterator[tuple[str, str]]:
    """Each figure's name and what it comes to; what could not be told says why."""
    yield "working range", _range(merit)
    yield "sensitivity, CIELAB units a unit", ", ".join(f"{e.sensitivity:.3g} at {e.value:g}" for e in merit.levels)
    yield "scatter along the curve, CIELAB units", f"{merit.scatter:.2f} in all (robust){_stages(merit)}"
    yield "form of the curve", _tests(merit)
    yield "left-out levels", _left_out(merit)
    if merit.analyte != "ph":
        yield "near zero", _near_zero(merit)
    if merit.resolution is not None:
        yield (f"resolution at {merit.resolution_at:g}",
               f"{significant(merit.resolution, 2)} between two strips of one light is more than chance (95 %)")


def _range(merit: Merit) -> str:
    if merit.working_range is None:
        return "none; no two neighbouring levels have a useful interval"
    low, high = merit.working_range
    what = f"{USEFUL_PH:g}" if merit.analyte == "ph" else f"{100 * USEFUL_SHARE:.0f} % of the value"
    return f"{low:g} to {high:g} (a strip's 95 % interval within {what} to either side)"


def _stages(merit: Merit) -> str:
    if merit.stages is None:
        return "; no replicates to tell strips from lights by"
    return "".join(f"; {name} {stage.sd:.2f} ({stage.dof} degrees of freedom)"
                   for name, stage in zip(("standards", "lights", "strips"), merit.stages, strict=True))


def _tests(merit: Merit) -> str:
    told = []
    if merit.lack_of_fit is not None:
        f = merit.lack_of_fit
        told.append(f"lack of fit F({f.dof1}, {f.dof2}) = {f.statistic:.2f}, p = {f.p:.2g}")
    if merit.bend is not None:
        told.append(f"bend left over (Mandel) p = {merit.bend.p:.2g}")
    return "; ".join(told) or "too few levels or replicates to test it"


def _left_out(merit: Merit) -> str:
    errors = [f"{e.left_out:+.2g} at {e.value:g}" for e in merit.levels if e.left_out is not None]
    rms = merit.left_out_rms
    return "none" if rms is None else f"error {rms:.2f} CIELAB units (rms); in the unit " + ", ".join(errors)


def _near_zero(merit: Merit) -> str:
    z = merit.near_zero
    if z is None:
        return "no limits; they need a blank, three more levels, and a colour that changes"
    critical, detectable = significant(z.critical, 2), significant(z.detectable, 2)
    quantifiable = f"quantifiable {significant(z.quantifiable, 2)}" if z.quantifiable else "nowhere quantifiable"
    return (f"critical {critical}, detectable {detectable} (ISO 11843-2), {quantifiable} (10 s), "
            f"one strip, from levels 0 to {z.up_to:g} along the curve")
