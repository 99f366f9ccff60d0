"""One photograph to one reading; a disturbance is reported only where it changes a result.

Uneven and mixed light are corrected, and the noise of a worn card's patches enters the intervals. What remains is
compared with each value's own uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.chart import Chart
from calibration.value import PadValue
from shared.errors import InputError
from shared.flags import FLAGS, in_order
from shared.profile import PrintProfile
from stripread.reading import checks
from stripread.reading.checks import unexplained_light
from stripread.reading.context import with_earlier_strips
from stripread.reading.executors import SERIAL, Executor
from stripread.reading.locate import CardLocation
from stripread.reading.observe import NoObservation, Observation, observe_file
from stripread.reading.pads import MeasuredPad
from stripread.reading.patches import paper_places
from stripread.reading.photo import Photo
from stripread.reading.photo_file import PhotoAddress, PhotoFile, open_photo
from stripread.reading.read_pad import cross_check, point, quads, read_pads, to_photo
from stripread.reading.response_prior import LAMPS
from stripread.reading.result import (
    CardOutline,
    Light,
    ManualLocation,
    PadReading,
    PatchOutline,
    Provenance,
    Reading,
    StripAxis,
)
from stripread.version import SOFTWARE, libraries

Array = NDArray[np.float64]

#: Flags of what is corrected or contained in the intervals, and may therefore leave the results as they are.
CORRECTED = frozenset({"shadow", "mixed-light", "card-worn"})
#: Standard uncertainties of a value by which an effect changes it: with that bias a 95 % interval contains the true
#: value in 92 % instead (normal distribution).
RELEVANT = 0.5
#: Change of a dye's signals relative to white for a unit of change of white's own colour (log), between lamps of broad
#: bands: what a correction by white leaves of mixed light (root mean square over simulated cameras and dyes).
DYES_SHIFT = 0.22
#: Lamps less probable than this are not stated.
LEAST_LAMP = 0.01
#: Components of the uncertainty budget that grow with the scatter of the patches.
_BY_PATCHES = frozenset({"pad pixels", "light field", "colour correction", "lighting mismatch"})
#: Paper this near to a pad, in millimetres, shows the light that falls on it.
NEAR_MM = 20.0


def without_effect(flags: set[str], stop: str, seen: Observation, values: Mapping[str, PadValue]) -> set[str]:
    """Those of the photograph's ``flags`` that change no result. ``stop``: what refuses the whole photograph."""
    if stop:
        return flags & CORRECTED - {stop}
    # A pad that has no value may have lost it to any of them.
    if len(values) < len(seen.pads):
        return set()
    return {flag for flag in flags & CORRECTED
            if all(_effect(flag, pad, seen, values[pad.pad.analyte]) < RELEVANT for pad in seen.pads)}


def _effect(flag: str, pad: MeasuredPad, seen: Observation, value: PadValue) -> float:
    """Change of a pad's value by what a flag reports, in the value's standard uncertainties."""
    u = float(np.sqrt(sum(part.u**2 for part in value.budget)))
    moved = value.gain * pad.observation.signal
    if flag == "card-worn":
        return _by_worn_patches(seen, value) / u
    if flag == "shadow":
        return abs(float(moved.sum())) * _unexplained_light(pad, seen) / u
    return abs(float(moved @ _colour_of_light(pad, seen))) * DYES_SHIFT / u


def _by_worn_patches(seen: Observation, value: PadValue) -> float:
    """What patches that scatter more than stated add to the value's uncertainty, at most."""
    parts = sum(p.u**2 for p in value.budget if p.name in _BY_PATCHES)
    return float(np.sqrt(parts * max(0.0, 1 - seen.learned.noise**-2)))


def _unexplained_light(pad: MeasuredPad, seen: Observation) -> float:
    """Light (log) that the smooth field leaves unexplained on paper near a pad, root mean square."""
    level, neutral = unexplained_light(seen.light)
    near = np.linalg.norm(np.array(paper_places(seen.card)) - pad.centre, axis=1) < NEAR_MM
    level = level[seen.light.is_paper][near & neutral[seen.light.is_paper]]
    return float(np.sqrt(np.mean(level**2))) if len(level) else np.inf


def _colour_of_light(pad: MeasuredPad, seen: Observation) -> Array:
    """Difference (3,) of the light's colour (log) at a pad from its mean over the patches."""
    there = _colour(seen, pad.centre[None])[0]
    return np.asarray(there - _colour(seen, np.array([p.centre for p in seen.patches])).mean(axis=0))


def _colour(seen: Observation, mm: Array) -> Array:
    light = np.log(seen.light.at(mm))
    return np.asarray(light - light.mean(axis=1, keepdims=True))


#: A process takes about as long to start as this many photographs take to read.
WORTH_A_PROCESS = 12


def read_photo(path: Path | str, chart: Chart, profiles: Sequence[PrintProfile] = (),
               manual: ManualLocation | None = None) -> Reading:
    """Read one photograph on a chart; ``manual`` positions are used as given and recorded.

    Raises PhotoError for a file that is not a photograph, MismatchError when the card in it belongs to none of
    ``profiles``. A photograph without a reliable result gives a Reading with status no-result and the reason.
    """
    return read_file(open_photo(Path(path)), chart, profiles, manual)


def read_file(file: PhotoFile, chart: Chart, profiles: Sequence[PrintProfile] = (),
              manual: ManualLocation | None = None) -> Reading:
    """The same for the bytes of a photograph, wherever they come from."""
    photo, seen = observe_file(file, chart.card, chart.strip, profiles, manual)
    reading = to_reading(photo, seen, chart)
    given = msgspec.structs.replace(
        reading.provenance, placed=manual,
        runs=tuple(sorted({p.run for p in profiles if p.run is not None})))
    return msgspec.structs.replace(reading, provenance=given)


def to_reading(photo: Photo, seen: Observation | NoObservation, chart: Chart) -> Reading:
    """The reading of a photograph that has been observed."""
    if isinstance(seen, NoObservation):
        return _unreadable(photo, seen, chart)
    checked = checks.check_photograph(seen, chart.card)
    flags, stop = set(checked.flags), checked.fatal
    read = read_pads(seen, chart, stop)
    pads = cross_check(read.pads, chart.strip)
    flags -= without_effect(flags, stop, seen, read.values)
    measured = {p.analyte for p in pads if p.status == "measured"}
    alive = any(p.status != "no-result" for p in pads)
    return with_earlier_strips(Reading(
        photo=photo.name, status="measured" if alive else "no-result", flags=in_order(flags),
        reason="" if alive else _reason(stop, flags, pads), provenance=_provenance(photo, chart, seen.profile.id),
        card=_card(seen.located, chart, photo),
        patches=_patches(seen), strip=_strip(seen), light=_light(seen, checked.patch_error), pads=tuple(pads),
        correlations=tuple(c for c in read.correlations if measured.issuperset(c.analytes)), dye=read.dye), None)


def _unreadable(photo: Photo, seen: NoObservation, chart: Chart) -> Reading:
    card = None
    if seen.located is not None:
        card = _card(seen.located, chart, photo)
    return Reading(photo=photo.name, status="no-result", flags=(seen.flag,), reason=FLAGS[seen.flag].words, card=card,
                   provenance=_provenance(photo, chart, ""))


def _reason(stop: str, flags: set[str], pads: Sequence[PadReading]) -> str:
    first = stop or next(iter(in_order(flags - {"mixed-light", "poor-light", "profile-missing"})), "")
    return FLAGS[first].words if first else next((p.reason for p in pads if p.reason), "No pad could be read.")


def _card(located: CardLocation, chart: Chart, photo: Photo) -> CardOutline:
    width, height = chart.card.size
    rim = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    return CardOutline(run=located.run, corners_px=quads(rim[None], located, photo)[0], markers=located.markers,
                    placed_by_hand=located.by_hand, residual_mm=located.displacement.residual_mm)


def _patches(seen: Observation) -> tuple[PatchOutline, ...]:
    boxes = np.array([[(p.x, p.y), (p.x + p.w, p.y), (p.x + p.w, p.y + p.h), (p.x, p.y + p.h)]
                      for p in seen.card.patches])
    rows = []
    for patch, outline, whole, used in zip(seen.card.patches, quads(boxes, seen.located, seen.photo),
                                           seen.signals.whole, seen.learned.used, strict=True):
        why = "" if used else "contradicts its measured colour" if whole else "at an end of the scale, or out of view"
        rows.append(PatchOutline(id=patch.id, outline_px=outline, left_out=why))
    return tuple(rows)


def _strip(seen: Observation) -> StripAxis | None:
    if seen.strip is None:
        return None
    ends = np.array([seen.strip.place(0.0), seen.strip.place(seen.kind.length)])
    px = to_photo(seen.located.to_px(ends), seen.photo)
    return StripAxis(axis_px=(point(px[0]), point(px[1])), axis_mm=(point(ends[0]), point(ends[1])),
                     placed_by_hand=seen.strip.by_hand)


def _light(seen: Observation, error: float) -> Light:
    """Return the lamp that the photograph's light resembles, and how well it reproduces its patches."""
    best = int(np.argmax(seen.learned.lamps))
    likely = {name: round(p, 2) for name, p in zip(LAMPS, seen.learned.lamps, strict=True) if p >= LEAST_LAMP}
    field = seen.light.at(np.array([p.centre for p in seen.patches]))
    return Light(nearest=LAMPS[best], colour_residual=seen.light.residual,
                 unevenness=float(np.ptp(np.log(field.mean(axis=1)))),
                 patch_error=round(error, 2), lamps=likely,
                 note=f"CIE {LAMPS[best]}-like with probability {seen.learned.lamps[best]:.2f}; this photograph "
                      f"reproduces its patches within {error:.1f} CIEDE2000")


def _provenance(photo: Photo, chart: Chart, profile: str) -> Provenance:
    return Provenance(software=SOFTWARE, libraries=libraries(), photo_sha256=photo.sha256,
                      pixels_sha256=photo.pixels_sha256(), chart=chart.id, batch=chart.batch, profile=profile,
                      taken=photo.taken, camera=photo.camera, ignored=photo.ignored, evaluated_px=photo.size)


@dataclass(frozen=True, slots=True)
class ReadError:
    """A file that is not a supported photograph, and the error message."""

    message: str


@dataclass(frozen=True, slots=True)
class ReadingSetup:
    """Materials for reading photographs: a chart, the profiles of print runs, and ``manual`` positions."""

    chart: Chart
    profiles: tuple[PrintProfile, ...] = ()
    manual: ManualLocation | None = None


def read_many(paths: Iterable[PhotoAddress], on: ReadingSetup, executor: Executor = SERIAL
              ) -> Iterator[Reading | ReadError]:
    """The reading of each, in order, or why there is none."""
    return executor.map(_read, on, paths)


def _read(on: ReadingSetup, path: PhotoAddress) -> Reading | ReadError:
    try:
        return read_one(on, open_photo(path))
    except InputError as error:
        return ReadError(error.message)


def read_one(on: ReadingSetup, file: PhotoFile) -> Reading | ReadError:
    """The reading of one photograph, or why there is none."""
    try:
        return read_file(file, on.chart, on.profiles, on.manual)
    except InputError as error:
        return ReadError(error.message)
