"""Readings of one sample (several strips, or several photographs of a strip) to one result.

How values are joined: `stripread.reading.pooling`. Whether they agree: chi-square of their scatter against what may
differ between them (Cochran, Biometrics 10:101, 1954); scatter that no budget explains is estimated as between
laboratories (Paule and Mandel) and then widens the interval.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import combinations
from typing import Literal

import msgspec
import numpy as np

from calibration.checks import excess_variance
from calibration.common_effects import DyeLoad, pooled
from calibration.statistics.distributions import chi2_tail
from calibration.statistics.outliers import grubbs
from shared.analytes import ANALYTES
from shared.errors import InputError, MismatchError
from shared.estimate import Correlation, Estimate, Measurement, Part
from shared.flags import in_order
from stripread.reading.context import UNLIKE_CHART
from stripread.reading.pooling import Replicates, joint_correlations
from stripread.reading.result import Light, PadReading, Provenance, Reading

#: The part of a budget that photographs of one strip have in common.
STRIP_PART = "strip repeatability"
#: Parts that are the same for every photograph of one sample on one chart: no difference comes from them. The
#: lighting mismatch is not among them: it is the same only under the same light, which is not recorded.
SAME_PARTS = frozenset({"chart", "strip chemistry"})
#: Under another lamp the mismatch differs but for this share of its variance: what patches cannot show of cameras.
#: Where two photographs may be under one lamp, the share rises by the sum over lamps of the smaller probability. Of
#: twelve cameras under six lamps, simulated or measured, it was 43 and 49 %.
MISMATCH, COMMON_MISMATCH = "lighting mismatch", 0.45
#: Probability of a scatter at least as large below which replicates are said to disagree.
DISAGREE = 0.05
#: Smaller probabilities are stated as below this: budgets are not known more exactly.
_SMALL = 0.0001
_OF_RANGE = {"below": "below-range", "above": "above-range"}


class Consistency(msgspec.Struct, frozen=True, kw_only=True):
    """Whether replicates agree within their uncertainty budgets.

    ``probability`` of a chi-square at least this large if they do. ``excess_u``: standard deviation of single
    readings that no budget explains. ``farthest``: of three or more values within the range, the photograph
    farthest from the mean, with the verdict of Grubbs' test (5 % straggler, 1 % outlier); empty for two.
    """

    chi_square: float
    dof: int
    probability: float
    excess_u: float
    farthest: str = ""
    grubbs: Literal["consistent", "straggler", "outlier", ""] = ""

    @property
    def agree(self) -> bool:
        """Whether the budgets explain the scatter."""
        return self.probability >= DISAGREE


class ExcludedPhoto(msgspec.Struct, frozen=True, kw_only=True):
    """A photograph that gave no value, and why."""

    photo: str
    why: str


class CombinedPad(Measurement, frozen=True, kw_only=True):
    """One analyte of one sample. ``note``: that replicates disagree, and by how much."""

    photos: tuple[str, ...]
    left_out: tuple[ExcludedPhoto, ...] = ()
    consistency: Consistency | None = None


class CombinedReading(msgspec.Struct, frozen=True, kw_only=True):
    """Replicates of one sample as one result; ``photo`` names them all, ``provenance`` those that were used.

    ``correlations``: of the errors of all pairs of measured values; ``dye``: of all strips together.
    """

    photo: str
    status: Literal["measured", "no-result"]
    reason: str
    flags: tuple[str, ...]
    same_strip: bool
    provenance: tuple[Provenance, ...]
    left_out: tuple[ExcludedPhoto, ...]
    pads: tuple[CombinedPad, ...]
    correlations: tuple[Correlation, ...] = ()
    dye: DyeLoad | None = None

    def values(self) -> tuple[Estimate, ...]:
        """The estimates of all analytes that any photograph gave."""
        return tuple(e for p in self.pads if (e := p.estimate()) is not None)


def combine(readings: Sequence[Reading], *, same_strip: bool = False) -> CombinedReading:
    """Join readings of one sample on one chart.

    ``same_strip``: the photographs show one and the same strip, whose own scatter then does not shrink.
    Raises InputError for no readings or a photograph given twice, MismatchError for readings on several charts.
    """
    _check(readings)
    used = [r for r in readings if r.values()]
    common = _common_mismatch([r.light for r in used if r.light is not None])
    left_out = tuple(ExcludedPhoto(photo=r.photo, why=_no_result(r)) for r in readings if not r.values())
    analytes = dict.fromkeys(p.analyte for r in used for p in r.pads)
    shared = frozenset({STRIP_PART}) if same_strip else frozenset[str]()
    given = [(r.photo, _under_lamp(p, common) if common < 1 else p) for r in used for p in r.pads]
    pads = tuple(_combine_pads([(photo, p) for photo, p in given if p.analyte == a], shared) for a in analytes)
    flags = {f for r in used for f in r.flags} - {UNLIKE_CHART}
    # Of several strips, all together are judged.
    dye = pooled([r.dye for r in used if r.dye is not None])
    if dye is not None and dye.unlike:
        flags.add(UNLIKE_CHART)
    return CombinedReading(
        photo=" + ".join(r.photo for r in readings), status="measured" if used else "no-result",
        reason="" if used else f"No photograph has a result. {left_out[0].photo}: {left_out[0].why}",
        flags=in_order(flags), same_strip=same_strip, dye=dye,
        provenance=tuple(r.provenance for r in used), left_out=left_out,
        pads=pads, correlations=joint_correlations(used, pads, common))


def _common_mismatch(lights: Sequence[Light]) -> float:
    """Share of the mismatch's variance that photographs under these lights have in common, on average over pairs."""
    lamps = [light.lamps or {light.nearest: 1.0} for light in lights]
    alike = [sum(min(p, other.get(name, 0.0)) for name, p in one.items()) for one, other in combinations(lamps, 2)]
    return COMMON_MISMATCH + (1 - COMMON_MISMATCH) * min(1.0, float(np.mean(alike))) if alike else 1.0


def _under_lamp(pad: PadReading, common: float) -> PadReading:
    """The pad with its lighting mismatch split into the ``common`` share of its variance and what its lamp adds."""
    parts = {p.name: p for p in pad.budget}
    mismatch = parts.pop(MISMATCH, None)
    if mismatch is None:
        return pad
    shared = Part(name=MISMATCH, u=mismatch.u * common**0.5, shared=True)
    own = Part(name=f"{MISMATCH} of the lamp", u=mismatch.u * (1 - common) ** 0.5, shared=False)
    return msgspec.structs.replace(pad, budget=(*parts.values(), shared, own))


def _no_result(reading: Reading) -> str:
    """Why a photograph has no result: its own reason, or those of its pads."""
    return reading.reason or " ".join(dict.fromkeys(p.reason for p in reading.pads if p.reason)) or "No pad was found."


def _check(readings: Sequence[Reading]) -> None:
    if not readings:
        raise InputError("there is nothing to combine", where="combine", found="no readings",
                         allowed="readings of one sample")
    (twice, times), = Counter(r.provenance.photo_sha256 for r in readings).most_common(1)
    if times > 1:
        names = [r.photo for r in readings if r.provenance.photo_sha256 == twice]
        raise InputError("a photograph is listed twice", where="combine", found=" and ".join(names),
                         remedy="give each photograph once")
    charts = {r.provenance.chart: r.provenance.batch for r in readings}
    if len(charts) > 1:
        raise MismatchError("the readings were made on different charts", where="combine",
                            found=", ".join(f"batch {batch} ({chart[:8]})" for chart, batch in charts.items()),
                            allowed="one chart", remedy="combine the readings of each chart separately")


def _combine_pads(pads: Sequence[tuple[str, PadReading]], shared: frozenset[str]) -> CombinedPad:
    first = pads[0][1]
    given = [(photo, pad, e) for photo, pad in pads if (e := pad.estimate()) is not None]
    left_out = tuple(ExcludedPhoto(photo=photo, why=pad.reason) for photo, pad in pads if pad.value is None)
    blank = CombinedPad(analyte=first.analyte, status="no-result", value=None, low=None, high=None, unit=first.unit,
                        photos=tuple(photo for photo, _, _ in given), left_out=left_out)
    if not given:
        return msgspec.structs.replace(blank, reason=first.reason)
    replicates = Replicates([e for _, _, e in given], shared)
    consistency = consistency_of(replicates, blank.photos) if len(given) > 1 else None
    torn = consistency is not None and not consistency.agree
    joint = replicates.joint(consistency.excess_u if consistency is not None and torn else 0.0)
    flags = {f for _, pad, _ in given for f in pad.flags} - {*_OF_RANGE.values()}
    return msgspec.structs.replace(
        blank, status=joint.status, value=joint.value, low=joint.low, high=joint.high, budget=joint.budget,
        flags=in_order(flags | {_OF_RANGE[joint.status]} if joint.status in _OF_RANGE else flags),
        consistency=consistency, note=_disagreement(consistency, first) if consistency is not None and torn else "")


def consistency_of(replicates: Replicates, photos: Sequence[str]) -> Consistency:
    """Whether two or more estimates agree, by chi-square of their misfit in what may differ between them."""
    differ = [n for n in replicates.names if n not in SAME_PARTS | replicates.also_shared]
    variance = np.sum([replicates.part(n) ** 2 for n in differ], axis=0)
    whole = np.sum([replicates.part(n) ** 2 for n in replicates.names], axis=0)
    bells = replicates.bells
    chi_square = float((bells.misfit(replicates.grid) * whole / variance).sum(axis=1).min())
    dof = len(photos) - 1
    free = np.flatnonzero(bells.stopped == 0)
    value = bells.value[free]
    excess = excess_variance(value, variance[free], chi_square=len(free) - 1) if len(free) > 1 else 0.0
    far = grubbs(value)
    return Consistency(chi_square=chi_square, dof=dof, probability=chi2_tail(chi_square, dof),
                       excess_u=float(np.sqrt(excess)), farthest=photos[free[far.index]] if far else "",
                       grubbs=far.verdict if far else "")


def _disagreement(found: Consistency, pad: PadReading) -> str:
    far = f" {found.farthest} is farthest from the mean (Grubbs: {found.grubbs})." if found.farthest else ""
    likely = f"{found.probability:.2g}" if found.probability > _SMALL else f"below {_SMALL:g}"
    return (f"The readings of {ANALYTES[pad.analyte].name} differ by more than their uncertainties explain (chi-square "
            f"{found.chi_square:.1f} on {found.dof}, probability {likely}); the interval is widened by "
            f"the {found.excess_u:.2g} {pad.unit} that single readings scatter beyond them.{far} "
            "Find out what differed, or dip another strip.")
