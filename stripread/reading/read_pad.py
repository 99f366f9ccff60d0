"""One measured pad to its value on the chart, or to the reason why it has none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.chart import Chart
from calibration.common_effects import DyeLoad, Veil, dye_load, veils
from calibration.curve import Curve
from calibration.observation import PadObservation
from calibration.scale import Scale
from calibration.value import OFF_CURVE, PadValue, correlations, value_of
from shared.analytes import ANALYTES
from shared.estimate import Correlation
from shared.flags import FLAGS, in_order
from shared.strip import Pad, StripType
from stripread.reading import checks
from stripread.reading.locate import CardLocation
from stripread.reading.observe import Observation
from stripread.reading.pads import MeasuredPad, labs_of
from stripread.reading.photo import Photo
from stripread.reading.result import PadReading, Point, Quad

# The printed scale of a tube gives by eye a field, whose neighbours differ by a factor of about two. An interval that
# is wider than the value itself shows no more than that. For small values it must still separate what is treated
# differently: soft from scaling water (30 from 90 mg/L of hardness or alkalinity), the two sides of the window of pH,
# chloride and chlorine below and above usual limits of manufacturers. Common practice, no source.
#: Widest useful interval by analyte, the larger of two: at low values, in the analyte's unit; as a share of the value.
WIDEST: dict[str, tuple[float, float]] = {
    "hardness": (60.0, 1.0),
    "alkalinity": (60.0, 1.0),
    "ph": (1.0, 0.0),
    "chloride": (50.0, 1.0),
    "chlorine": (0.5, 1.0),
}
#: The same for other analytes: share of the chart's range, and of the value.
_OTHERS = (0.25, 1.0)


def widest(analyte: str, value: float, scale: Scale) -> float:
    """The widest useful interval of an analyte at a value, in its unit."""
    least, share = WIDEST.get(analyte, (_OTHERS[0] * (scale.high - scale.low), _OTHERS[1]))
    return max(least, share * value)


def is_useful(analyte: str, value: PadValue, scale: Scale) -> bool:
    """Whether the interval is narrow enough; bounds beyond the range and two values are stated as such."""
    if value.status != "measured" or value.others:
        return True
    return value.high - value.low <= widest(analyte, value.value, scale)


Array = NDArray[np.float64]

#: A pad within this CIELAB distance of the bare plastic has the colour of one that never reacted.
DRY_LAB = 6.0
#: A dry pad can be distinguished from a reacted one if the curve is this far (CIELAB) from the plastic.
DISTINCT_FROM_DRY_LAB = 15.0


@dataclass(frozen=True, slots=True)
class ReadPads:
    """All pads of a photograph, the values found by analyte, the correlations of these, and the strip's dye."""

    pads: list[PadReading]
    values: dict[str, PadValue]
    correlations: tuple[Correlation, ...]
    dye: DyeLoad | None


def read_pads(seen: Observation, chart: Chart, stop: str) -> ReadPads:
    """The pads of a photograph. ``stop``: the flag that refuses the whole photograph, or an empty string."""
    curves = {c.analyte: c for c in chart.curves}
    fatal = [stop or checks.pad_fatal_flag(p, seen.pads) for p in seen.pads]
    clear = {p.pad.analyte: p.observation for p, flag in zip(seen.pads, fatal, strict=True)
             if not flag and p.pad.analyte in curves}
    known = veils(clear, curves)
    values = {a: _value_of(p, curves[a], chart.strip.pad(a), known[a]) for a, p in clear.items()}
    pads = [_refused(blank, flag) if flag else _read_pad(p, blank, seen, chart, values.get(p.pad.analyte))
            for p, flag, blank in zip(seen.pads, fatal, _without_values(seen), strict=True)]
    near = {a: v for a, v in values.items() if v.off_curve <= OFF_CURVE}
    return ReadPads(pads, values, correlations(clear, near), dye_load({a: clear[a] for a in near}, curves))


def _value_of(observation: PadObservation, curve: Curve, pad: Pad, veil: Veil) -> PadValue:
    limits = ANALYTES[pad.analyte]
    return value_of(observation, curve, pad.chemistry, (limits.lower, limits.upper), veil)


def _read_pad(pad: MeasuredPad, blank: PadReading, seen: Observation, chart: Chart, value: PadValue | None
              ) -> PadReading:
    curve = chart.curve(pad.pad.analyte)
    if curve is None or value is None:
        return msgspec.structs.replace(blank, reason=f"The chart of batch {chart.batch} has no curve for it.")
    if value.off_curve > OFF_CURVE:
        flag = "not-reacted" if _is_dry(blank, curve, seen) else "off-chart"
        return msgspec.structs.replace(_refused(blank, flag), off_curve=value.off_curve)
    if not is_useful(pad.pad.analyte, value, curve.scale):
        return _too_uncertain(blank, value, widest(pad.pad.analyte, value.value, curve.scale))
    read = _read(blank, value)
    uneven = pad.uneven > checks.UNEVEN
    return msgspec.structs.replace(read, flags=in_order({*read.flags, "pad-uneven"})) if uneven else read


def _without_values(seen: Observation) -> list[PadReading]:
    """All pads with their colours and places."""
    if not seen.pads:
        return []
    centres = to_photo(seen.located.to_px(np.array([p.centre for p in seen.pads])), seen.photo)
    outlines = quads(np.array([p.outline for p in seen.pads]), seen.located, seen.photo)
    labs, covariances = labs_of([p.observation for p in seen.pads])
    return [PadReading(analyte=p.pad.analyte, status="no-result", value=None, low=None, high=None, unit=p.pad.unit,
                       lab=_triple(lab), lab_covariance=(_triple(c[0]), _triple(c[1]), _triple(c[2])), px=point(centre),
                       outline_px=outline)
            for p, lab, c, centre, outline in zip(seen.pads, labs, covariances, centres, outlines, strict=True)]


def _refused(blank: PadReading, flag: str) -> PadReading:
    reason = f"On the {ANALYTES[blank.analyte].name} pad: {FLAGS[flag].words}"
    return msgspec.structs.replace(blank, flags=(flag,), reason=reason)


def _too_uncertain(blank: PadReading, value: PadValue, limit: float) -> PadReading:
    reason = (f"On the {ANALYTES[blank.analyte].name} pad: the 95 % interval, {value.low:.3g} to {value.high:.3g} "
              f"{blank.unit}, is wider than {limit:.3g} {blank.unit}, the widest of use. "
              f"{FLAGS['too-uncertain'].action}")
    return msgspec.structs.replace(blank, flags=("too-uncertain",), reason=reason, off_curve=value.off_curve)


def _read(blank: PadReading, value: PadValue) -> PadReading:
    flags = {f for f, true in (("below-range", value.status == "below"),
                               ("above-range", value.status == "above" or value.extrapolated),
                               ("two-values", bool(value.others))) if true}
    return msgspec.structs.replace(
        blank, status=value.status, value=value.value, low=value.low, high=value.high, flags=in_order(flags),
        budget=value.budget, off_curve=value.off_curve, others=value.others)


def _is_dry(pad: PadReading, curve: Curve, seen: Observation) -> bool:
    """Whether a pad that lies off its curve has the colour of bare plastic."""
    if pad.lab is None or seen.plastic is None or not _dry_is_distinguishable(curve, seen.plastic):
        return False
    return float(np.linalg.norm(pad.lab - seen.plastic)) < DRY_LAB


def _dry_is_distinguishable(curve: Curve, plastic: Array) -> bool:
    colours = curve.lab(curve.scale.value(curve.grid[::16]))
    return float(np.linalg.norm(colours - plastic, axis=1).min()) > DISTINCT_FROM_DRY_LAB


def cross_check(pads: Sequence[PadReading], strip: StripType) -> list[PadReading]:
    """Return the pads after comparison with one another: dry ones without value, values outside validity flagged."""
    dry = [p for p in pads if "not-reacted" in p.flags]
    if len(dry) >= 2:
        pads = [
            p if p.status == "no-result" or not _like(p, dry) else _refused(_emptied(p), "not-reacted") for p in pads
        ]
    values = {p.analyte: p.value for p in pads if p.value is not None}
    return [_with_validity_flag(p, strip, values) for p in pads]


def _like(pad: PadReading, dry: Sequence[PadReading]) -> bool:
    """Whether a pad has the colour of the strip's pads that never reacted."""
    colours = [p.lab for p in dry if p.lab is not None]
    return pad.lab is not None and float(np.linalg.norm(np.mean(colours, axis=0) - pad.lab)) < DRY_LAB


def _emptied(pad: PadReading) -> PadReading:
    return msgspec.structs.replace(pad, status="no-result", value=None, low=None, high=None, budget=(), others=())


def _with_validity_flag(pad: PadReading, strip: StripType, values: dict[str, float]) -> PadReading:
    """Return the pad, with ``outside-validity`` where the strip type is not validated for this water."""
    for other, (low, high) in strip.pad(pad.analyte).valid_when.items():
        if pad.status != "no-result" and other in values and not low <= values[other] <= high:
            return msgspec.structs.replace(pad, flags=in_order({*pad.flags, "outside-validity"}))
    return pad


def to_photo(px: Array, photo: Photo) -> Array:
    """Decoded pixels (n, 2), centres at whole numbers, to pixels of the upright photograph, centres at halves."""
    return (px + 0.5) * photo.shrink


def _triple(values: Array) -> tuple[float, float, float]:
    """Three plain numbers."""
    return (float(values[0]), float(values[1]), float(values[2]))


def point(xy: Array) -> Point:
    """A point of plain numbers, to a hundredth of a pixel."""
    return (round(float(xy[0]), 2), round(float(xy[1]), 2))


def quads(mm: Array, located: CardLocation, photo: Photo) -> list[Quad]:
    """Corners (n, 4, 2) in the card's millimetres as points of the upright photograph."""
    return [(point(a), point(b), point(c), point(d)) for a, b, c, d in to_photo(located.to_px(mm), photo)]
