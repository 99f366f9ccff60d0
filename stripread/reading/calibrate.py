"""Photographs of solutions of known values: a chart is fitted to the pads of a batch, or checked with them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.chart import Chart, Conditions, ExcludedPhotograph, LightProperties
from calibration.checks import DEFAULT_RULE, Check, CheckRule, Pair, check
from calibration.cross_validation import without_levels, without_lights
from calibration.diagnostics import check_levels, suspects, warnings_of
from calibration.fit import CurveFit, fitted
from calibration.merit import near_zero
from calibration.observation import StandardObservation
from calibration.standards import StandardRow, read_standards
from calibration.uncertainty_reduction import Gain, gain
from shared.card import CardLayout
from shared.errors import FileError
from shared.flags import FLAGS
from shared.profile import PrintProfile
from shared.strip import Pad, StripType
from stripread.reading import checks
from stripread.reading.executors import SERIAL, Executor
from stripread.reading.observe import NoObservation, Observation, observe_file
from stripread.reading.photo_file import open_photo
from stripread.reading.read import ReadingSetup, read_file
from stripread.reading.response_prior import LAMPS
from stripread.reading.result import Reading
from stripread.version import SOFTWARE

Pixels = NDArray[np.uint8]

#: Side of a pad's picture, and how much of its surroundings it shows, as a share of the pad's side.
CROP_PX, CROP_RIM = 48, 0.2


@dataclass(frozen=True, slots=True)
class ObservedStandard:
    """A standard's row with what its photograph shows; pixels are kept of the pads only, to limit memory.

    ``pads``: each pad and its rim as photographed, (CROP_PX, CROP_PX, 3), red, green, blue, by analyte.
    """

    row: StandardRow
    observed: Observation
    pads: dict[str, Pixels]


@dataclass(frozen=True, slots=True)
class Calibration:
    """A batch's chart, the fits behind its curves and the standards they saw; ``checks`` took no part."""

    chart: Chart
    fits: tuple[CurveFit, ...]
    seen: tuple[ObservedStandard, ...]
    checks: tuple[StandardRow, ...] = ()

    def gains(self) -> dict[str, Gain]:
        """For each analyte what would make its readings more certain."""
        return {f.curve.analyte: gain(f, self.chart.strip.pad(f.curve.analyte).chemistry) for f in self.fits}


@dataclass(frozen=True, slots=True)
class Material:
    """Material of a batch's chart: card, strip type and print run's profile, table and batch name."""

    card: CardLayout
    strip: StripType
    profile: PrintProfile
    table: Path
    batch: str


#: Rows as they are: nothing shows how far the photographs are.
Watch = Callable[[Sequence[StandardRow]], Iterable[StandardRow]]


def calibrate_material(material: Material, watch: Watch = iter, without: Sequence[ExcludedPhotograph] = (),
                       executor: Executor = SERIAL) -> Calibration:
    """The chart of a batch from its table; ``watch`` may show how far the photographs are.

    ``without``: photographs to leave out, each with its reason, which the chart keeps. Raises InputError for a
    table, photograph or profile that cannot be used.
    """
    material.profile.check_against(material.card)
    rows = read_standards(material.table, {p.analyte: p.unit for p in material.strip.pads})
    names = {row.photo.name for row in rows}
    for out in without:
        if out.photo not in names:
            raise FileError("no such photograph to exclude", where=str(material.table), found=out.photo,
                            allowed="a name in the column photo")
    dropped = {out.photo for out in without}
    included = [row for row in rows if row.photo.name not in dropped]
    standards = [row for row in included if row.role == "standard"]
    for pad in material.strip.pads:
        check_levels(pad, standards)
    seen, unread = observe_standards(standards, material, watch, executor)
    made = fit_batch(seen, material, [*without, *unread])
    return replace(made, checks=tuple(row for row in included if row.role == "check"))


def observe_standards(rows: Sequence[StandardRow], material: Material, watch: Watch = iter,
                      executor: Executor = SERIAL) -> tuple[list[ObservedStandard], list[ExcludedPhotograph]]:
    """Observe each row's photograph; unreadable ones are returned with the reason.

    Raises FileError where two files contain the same picture.
    """
    good, bad, pictures = [], [], dict[str, Path]()
    for row, (picture, seen) in zip(watch(rows), executor.map(_observe, material, rows), strict=True):
        twin = pictures.setdefault(picture, row.photo)
        if twin != row.photo:
            raise FileError("two files contain the same photograph", where=str(material.table),
                            found=f"{twin.name} and {row.photo.name}", allowed="one photograph for each row",
                            remedy="remove the copy from the table, or replace it with the right file")
        if isinstance(seen, ExcludedPhotograph):
            bad.append(seen)
        else:
            good.append(seen)
    return good, bad


def _observe(material: Material, row: StandardRow) -> tuple[str, ObservedStandard | ExcludedPhotograph]:
    """Return the hash of a photograph's pixels, and what it shows or why it is excluded; may run elsewhere."""
    photo, seen = observe_file(open_photo(row.photo), material.card, material.strip, [material.profile])
    why = _fault(seen, material.card)
    if isinstance(seen, NoObservation) or why:
        return photo.pixels_sha256(), ExcludedPhotograph(photo=row.photo.name, why=why)
    return photo.pixels_sha256(), ObservedStandard(row, _without_pixels(seen), dict(_crops(seen)))


def _crops(seen: Observation) -> Iterator[tuple[str, Pixels]]:
    """Each pad from straight above, the strip's tip to the left."""
    if seen.strip is None:
        return
    side = np.linspace(-0.5, 0.5, CROP_PX) * (1 + 2 * CROP_RIM)
    along = np.array(seen.strip.along)
    for pad in seen.pads:
        places = np.stack(np.meshgrid(side * seen.kind.pad_size[0], side * seen.kind.pad_size[1]), axis=-1)
        turned = places @ np.array([along, [-along[1], along[0]]])
        yield pad.pad.analyte, np.rint(seen.view.counts(pad.centre + turned)).clip(0, 255).astype(np.uint8)


def _without_pixels(seen: Observation) -> Observation:
    photo = replace(seen.photo, pixels=np.empty((0, 0, 3), np.uint8))
    return replace(seen, photo=photo, view=replace(seen.view, photo=photo))


def _fault(seen: Observation | NoObservation, card: CardLayout) -> str:
    """Why a standard's photograph cannot serve, or an empty string."""
    if isinstance(seen, NoObservation):
        return FLAGS[seen.flag].words
    stop = checks.check_photograph(seen, card).fatal
    return FLAGS[stop].words if stop else ""


def fit_batch(seen: Sequence[ObservedStandard], material: Material,
              excluded: Sequence[ExcludedPhotograph] = ()) -> Calibration:
    """The chart of a batch from its standards (rows of role ``standard``), and the fits behind it.

    Raises FileError when no analyte has enough levels.
    """
    standards = [s for s in seen if s.row.role == "standard"]
    fits = []
    for pad in material.strip.pads:
        pad_standards = [o for s in standards if (o := standard_of(s, pad.analyte)) is not None]
        if pad_standards:
            fits.append(_examined(fitted(pad.analyte, pad.unit, pad_standards), pad))
    if not fits:
        raise FileError("no analyte has standards", where=str(material.table),
                        found=f"{len(standards)} photographs of standards",
                        allowed="certified values for at least one pad")
    chart = Chart(format="strip-chart/1", batch=material.batch, card=material.card, strip=material.strip,
                  conditions=_conditions(standards, material, excluded), curves=tuple(f.curve for f in fits),
                  suspects=tuple(s for f in fits for s in suspects(f)))
    return Calibration(chart, tuple(fits), tuple(standards))


def _examined(fit: CurveFit, pad: Pad) -> CurveFit:
    """The fit with the results of leaving out levels and lights, and its warnings."""
    errors: dict[float, list[float]] = {}
    for read in without_levels(fit):
        if not read.whole:
            errors.setdefault(read.standard.value, []).append(read.error)
    levels = tuple(msgspec.structs.replace(v, left_out=float(np.mean(errors[v.value])) if v.value in errors else None)
                   for v in fit.curve.levels)
    curve = msgspec.structs.replace(fit.curve, levels=levels, lights=tuple(without_lights(fit)),
                                    near_zero=near_zero(fit.curve, fit.process.standards),
                                    warnings=tuple(warnings_of(fit, pad)))
    return replace(fit, curve=curve)


def standard_of(seen: ObservedStandard, analyte: str) -> StandardObservation | None:
    """The pad of an analyte with what the solution is certified for; None without either, or where it is covered."""
    certified = seen.row.certified.get(analyte)
    pad = next((p for p in seen.observed.pads if p.pad.analyte == analyte), None)
    if certified is None or pad is None or checks.pad_fatal_flag(pad, seen.observed.pads):
        return None
    return StandardObservation(photo=seen.row.photo.name, standard=seen.row.standard, light=seen.row.light,
                               value=certified.value, u=certified.u, pad=pad.observation,
                               camera=seen.observed.photo.camera or "")


def _conditions(standards: Sequence[ObservedStandard], material: Material,
                excluded: Sequence[ExcludedPhotograph]) -> Conditions:
    cameras = {s.observed.photo.camera or "unknown" for s in standards}
    return Conditions(
        lights=tuple(sorted({s.row.light for s in standards})), cameras=tuple(sorted(cameras)),
        print_run=standards[0].observed.located.run, profile=material.profile.id, software=SOFTWARE,
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        standards_sha256=hashlib.sha256(material.table.read_bytes()).hexdigest(),
        photographs=len(standards), excluded=tuple(excluded), seen=tuple(_lights(standards)))


def _lights(standards: Sequence[ObservedStandard]) -> Iterator[LightProperties]:
    for light in sorted({s.row.light for s in standards}):
        lamps = np.array([s.observed.learned.lamps for s in standards if s.row.light == light])
        yield LightProperties(light=light, photographs=len(lamps),
                        lamps={n: round(float(p), 3) for n, p in zip(LAMPS, lamps.mean(axis=0), strict=True)})


@dataclass(frozen=True, slots=True)
class UnreadStandard:
    """A known value without a measured value, and the reason."""

    photo: str
    analyte: str
    why: str


def read_check_samples(
    rows: Sequence[StandardRow],
    on: ReadingSetup,
    watch: Callable[[Sequence[StandardRow]], Iterable[StandardRow]] = iter,
    executor: Executor = SERIAL,
) -> tuple[list[Pair], list[UnreadStandard]]:
    """The values known of each photograph's solution with what the chart reads there; ``watch`` may show progress."""
    pairs, unread = [], []
    for row, reading in zip(watch(rows), executor.map(_read_sample, on, rows), strict=True):
        good, bad = pairs_of(row, reading)
        pairs += good
        unread += bad
    return pairs, unread


def _read_sample(on: ReadingSetup, row: StandardRow) -> Reading:
    return read_file(open_photo(row.photo), on.chart, on.profiles)


def pairs_of(row: StandardRow, reading: Reading) -> tuple[list[Pair], list[UnreadStandard]]:
    """The values known of one photograph's solution with those that were read in it."""
    pairs, unread = [], []
    pads = {p.analyte: p for p in reading.pads}
    for analyte, known in row.certified.items():
        pad = pads.get(analyte)
        read = None if pad is None else pad.estimate()
        if read is None:
            unread.append(UnreadStandard(row.photo.name, analyte, (pad and pad.reason) or reading.reason))
        else:
            pairs.append(Pair(row.standard, known=known.value, u_known=known.u, read=read, photo=row.photo.name,
                              light=row.light))
    return pairs, unread


def judge(pairs: Iterable[Pair], chart: Chart, *, rule: CheckRule = DEFAULT_RULE) -> list[Check]:
    """The verdict on each; a deviation is set against the range of the chart's curve."""
    spans = {c.analyte: c.scale.high - c.scale.low for c in chart.curves}
    return [check(p, span=spans[p.read.analyte], rule=rule) for p in pairs]
