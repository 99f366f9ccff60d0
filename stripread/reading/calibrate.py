"""The standards' photographs to a chart: read them as any photograph, then hand their pads to the fit."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np

from calibration.chart import Chart, Conditions, Excluded
from calibration.fit import Fitted, fitted
from calibration.left_out import without_levels, without_lights
from calibration.observation import StandardObservation
from calibration.soundness import check_levels, doubts
from calibration.standards import StandardRow
from calibration.suspects import suspects
from shared.card import CardLayout
from shared.errors import FileError
from shared.flags import FLAGS
from shared.profile import PrintProfile
from shared.strip import Pad, StripType
from stripread.reading import checks
from stripread.reading.observe import Observed, Unreadable, observe_file
from stripread.version import __version__


@dataclass(frozen=True, slots=True)
class Seen:
    """A standard's row with what its photograph shows."""

    row: StandardRow
    observed: Observed


@dataclass(frozen=True, slots=True)
class Material:
    """What charts of a batch are made from: card, strip type and print run's profile, table and batch name."""

    card: CardLayout
    strip: StripType
    profile: PrintProfile
    table: Path
    batch: str


def observe_standards(rows: Iterable[StandardRow], material: Material,
                      step: Callable[[], None] = lambda: None) -> tuple[list[Seen], list[Excluded]]:
    """Observe each row's photograph; ``step`` is called after each. Unreadable ones are returned with the reason."""
    good, bad = [], []
    for row in rows:
        _, seen = observe_file(row.photo, material.card, material.strip, [material.profile])
        why = _fault(seen, material.card)
        if isinstance(seen, Unreadable) or why:
            bad.append(Excluded(photo=row.photo.name, why=why))
        else:
            good.append(Seen(row, seen))
        step()
    return good, bad


def _fault(seen: Observed | Unreadable, card: CardLayout) -> str:
    """Why a standard's photograph cannot serve, or an empty string."""
    if isinstance(seen, Unreadable):
        return FLAGS[seen.flag].words
    stop = checks.stops(seen, card, checks.photograph_flags(seen, card))
    return FLAGS[stop].words if stop else ""


def fit_chart(seen: Sequence[Seen], material: Material, excluded: Sequence[Excluded] = ()) -> Chart:
    """The chart of a batch from its standards (rows of role ``standard``).

    Raises FileError when no analyte has enough levels.
    """
    standards = [s for s in seen if s.row.role == "standard"]
    fits = []
    for pad in material.strip.pads:
        mine = [o for s in standards if (o := standard_of(s, pad.analyte)) is not None]
        if mine:
            check_levels(pad, mine, where=str(material.table))
            fits.append(_examined(fitted(pad.analyte, pad.unit, mine), pad))
    if not fits:
        raise FileError("no analyte has standards", where=str(material.table),
                        found=f"{len(standards)} photographs of standards",
                        allowed="certified values for at least one pad")
    return Chart(format="strip-chart/1", batch=material.batch, card=material.card, strip=material.strip,
                 conditions=_conditions(standards, material, excluded), curves=tuple(f.curve for f in fits),
                 suspects=tuple(s for f in fits for s in suspects(f)))


def _examined(fit: Fitted, pad: Pad) -> Fitted:
    """The fit with what leaving out levels and lights says of its curve, and what makes it doubtful."""
    errors: dict[float, list[float]] = {}
    for read in without_levels(fit):
        if not read.whole:
            errors.setdefault(read.standard.value, []).append(read.error)
    levels = tuple(msgspec.structs.replace(v, left_out=float(np.mean(errors[v.value])) if v.value in errors else None)
                   for v in fit.curve.levels)
    curve = msgspec.structs.replace(fit.curve, levels=levels, lights=tuple(without_lights(fit)),
                                    warnings=tuple(doubts(fit, pad)))
    return replace(fit, curve=curve)


def standard_of(seen: Seen, analyte: str) -> StandardObservation | None:
    """The pad of an analyte with what the solution is certified for; None without either, or where it is covered."""
    certified = seen.row.certified.get(analyte)
    pad = next((p for p in seen.observed.pads if p.pad.analyte == analyte), None)
    if certified is None or pad is None or checks.refusing(pad, seen.observed.pads):
        return None
    return StandardObservation(photo=seen.row.photo.name, standard=seen.row.standard, light=seen.row.light,
                               value=certified.value, u=certified.u, pad=pad.observation)


def _conditions(standards: Sequence[Seen], material: Material, excluded: Sequence[Excluded]) -> Conditions:
    cameras = {s.observed.photo.camera or "unknown" for s in standards}
    return Conditions(
        lights=tuple(sorted({s.row.light for s in standards})), cameras=tuple(sorted(cameras)),
        print_run=standards[0].observed.located.run, profile=material.profile.id, software=f"stripread {__version__}",
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        standards_sha256=hashlib.sha256(material.table.read_bytes()).hexdigest(),
        photographs=len(standards), excluded=tuple(excluded))
