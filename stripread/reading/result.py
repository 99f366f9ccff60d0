"""A reading: the values of one photograph with everything needed to assess and reproduce them.

Pixels are those of the upright photograph, (0.5, 0.5) the centre of the first. CIELAB is D50, 2 degrees.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from calibration.common_effects import DyeLoad, StripSequence
from shared.estimate import Correlation, Estimate, Measurement

Point = tuple[float, float]
Lab = tuple[float, float, float]
Quad = tuple[Point, Point, Point, Point]


class CardOutline(msgspec.Struct, frozen=True, kw_only=True):
    """The located card: its print run and its own corners (top-left, top-right, bottom-right, bottom-left).

    ``residual_mm``: distance from their places at which nine of ten patches and markers remain after the correction for
    a bent card and lens distortion; None where a person placed the card, and in readings made before it was stated.
    """

    run: int
    corners_px: Quad
    markers: tuple[int, ...]
    placed_by_hand: bool = False
    residual_mm: float | None = None


class PatchOutline(msgspec.Struct, frozen=True, kw_only=True):
    """One printed patch, its outline in pixels, and why it was left out (empty: it was used)."""

    id: str
    outline_px: Quad
    left_out: str = ""


class StripAxis(msgspec.Struct, frozen=True, kw_only=True):
    """The strip's axis from its tip to its handle end, in pixels and in the card's millimetres."""

    axis_px: tuple[Point, Point]
    axis_mm: tuple[Point, Point]
    placed_by_hand: bool = False


class PadReading(Measurement, frozen=True, kw_only=True):
    """One pad of one photograph: its value, its colour and its place."""

    lab: Lab | None
    lab_covariance: tuple[Lab, Lab, Lab] | None
    px: Point
    outline_px: Quad
    #: Squared distance of the colour from the chart's curve in standard uncertainties, 2 degrees of freedom.
    off_curve: float | None = None
    #: Other values whose colour fits about as well.
    others: tuple[float, ...] = ()


class Light(msgspec.Struct, frozen=True, kw_only=True):
    """The light of a photograph: the lamp of CIE 15 that it resembles most, and the deviation from it.

    ``lamps``: probability of each lamp, those of 1 % and more; half of a mixture counts for each of its two. Empty in
    readings made before it was stated.
    ``patch_error``: CIEDE2000 within which it reproduces nine of ten of the card's patches, each predicted from the
    others; None in readings made before it was stated.
    """

    nearest: str
    colour_residual: float
    unevenness: float
    note: str = ""
    patch_error: float | None = None
    lamps: dict[str, float] = {}


class ManualLocation(msgspec.Struct, frozen=True):
    """Manual positions: the card's ``corners`` from top-left clockwise, ``pads`` by analyte.

    Pixels of the upright photograph. ``run``: the card's print run, where neither its markers nor a single profile
    determine it.
    """

    corners: Quad | None = None
    pads: dict[str, Point] = {}
    run: int | None = None


class Provenance(msgspec.Struct, frozen=True, kw_only=True):
    """Provenance of a reading: identifies every input, so that the reading can be reproduced.

    ``libraries``: version by name of what decoded and computed. ``runs``: print runs that were looked for, those of
    the profiles given; ``profile`` the one used. ``placed``: what a person placed, None where nothing was.
    ``ignored``: parts of the file's metadata that are invalid.
    ``after_dip_s``: seconds from dip to exposure, None where it is not known. ``evaluated_px``: width and height of the
    upright photograph at which it was evaluated; None in readings made before the size was stated.
    """

    software: str
    photo_sha256: str
    pixels_sha256: str
    chart: str
    batch: str
    profile: str
    libraries: dict[str, str] = {}
    runs: tuple[int, ...] = ()
    placed: ManualLocation | None = None
    taken: str | None = None
    camera: str | None = None
    ignored: tuple[str, ...] = ()
    after_dip_s: float | None = None
    evaluated_px: tuple[int, int] | None = None


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """The result for one photograph; ``reason``: why there is no result.

    ``correlations``: of the errors of all pairs of measured values; ``dye``: of the strip's pads, compared with the
    chart's strips; neither in readings made before they were stated. ``earlier_strips``: those of the same tube in the
    store, None without any.
    """

    photo: str
    status: Literal["measured", "no-result"]
    reason: str
    flags: tuple[str, ...]
    provenance: Provenance
    card: CardOutline | None = None
    patches: tuple[PatchOutline, ...] = ()
    strip: StripAxis | None = None
    light: Light | None = None
    pads: tuple[PadReading, ...] = ()
    correlations: tuple[Correlation, ...] = ()
    dye: DyeLoad | None = None
    earlier_strips: StripSequence | None = None

    @property
    def sequence(self) -> StripSequence | None:
        """The strips of the tube up to this one; None without an earlier one, or where this one shows no dye."""
        if self.earlier_strips is None or self.dye is None or "profile-missing" in self.flags:
            return None
        return self.earlier_strips.followed_by(self.dye)

    @property
    def unlike_alone(self) -> bool:
        """Whether this strip alone is unlike the chart's.

        Without a profile of the card, colours are not certain enough for a statement on the batch.
        """
        return self.dye is not None and self.dye.unlike and "profile-missing" not in self.flags

    @property
    def placed_by_hand(self) -> str:
        """In words what a person placed and the program did not find; empty where nothing was."""
        things = {"card": self.card, "strip": self.strip}
        placed = [name for name, thing in things.items() if thing and thing.placed_by_hand]
        return f"{' and '.join(placed)} placed by hand" if placed else ""

    def values(self) -> tuple[Estimate, ...]:
        """The estimates of all pads that were not refused."""
        return tuple(e for p in self.pads if (e := p.estimate()) is not None)
