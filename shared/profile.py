"""The measured colours of one print run of a card: CIELAB (D50, 2 degrees) and, if there, spectra.

Read from CGATS.17 text; the print run is the value of the keyword PRINT_RUN.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.card import BED, NOMINAL_PAPER_LAB, PAPER, RUNS, CardLayout
from shared.cgats import CgatsTable, read_cgats, table_of
from shared.colour import WAVELENGTHS_NM, delta_e_2000, interpolation, reflectance_to_xyz, xyz_to_lab
from shared.errors import FileError, MismatchError

Array = NDArray[np.float64]

_LAB_FIELDS = ("LAB_L", "LAB_A", "LAB_B")
#: SPECTRAL_NM400, SPECTRAL_400, SPEC_400, NM400, NM_400, R_400NM and the like.
_SPECTRAL = re.compile(r"(?:SPECTRAL_?|SPEC_?|R_?)?(?:NM_?)?(\d{3}(?:\.\d+)?)(?:_?NM)?")
#: Reflecting surfaces: L* to 100 (a little over for rounding), a* and b* within the reach of surface colours.
_LAB_MAX = np.array([101.0, 128.0, 128.0])
#: Keywords under which instruments state illuminant and observer, and how they put it.
_CONDITIONS = ("MEASUREMENT_SOURCE", "WEIGHTING_FUNCTION", "ILLUMINANT", "OBSERVER")
_ILLUMINANT = re.compile(r"ILLUMINA(?:TION|NT)[\s=,:]+([A-Z]+\d*)", re.IGNORECASE)
_OBSERVER = re.compile(r"OBSERVER(?:ANGLE)?[\s=,:]+(\d+)", re.IGNORECASE)
#: A reflectance factor above this is a percentage.
_PERCENT_FROM = 1.6
#: CIEDE2000 between a patch's Lab and its own spectrum beyond which the two are not one measurement.
_LAB_AGAINST_SPECTRUM = 3.0
#: Median CIEDE2000 from the design beyond which the measured sheet is not this card; ink gamut explains less.
MOST_FROM_DESIGN = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class PrintProfile:
    """``lab`` (n, 3) of the patches ``ids``, BED and PAPER too; ``spectra`` (n, w) at ``wavelengths``, nm.

    ``run`` is None where nothing is measured and nominal colours are used.
    """

    run: int | None
    ids: tuple[str, ...]
    lab: Array
    spectra: Array | None = None
    wavelengths: Array | None = None

    @property
    def measured(self) -> bool:
        """False for nominal colours."""
        return self.run is not None

    @property
    def id(self) -> str:
        """Hash of run, colours and spectra, however the file was laid out."""
        order = np.argsort(np.array(self.ids))
        content = [self.run, [self.ids[i] for i in order], self.lab[order].tolist(),
                   None if self.spectra is None else self.spectra[order].tolist(),
                   None if self.wavelengths is None else self.wavelengths.tolist()]
        return hashlib.sha256(msgspec.json.encode(content)).hexdigest()

    def lab_of(self, ids: Iterable[str]) -> Array:
        """CIELAB (k, 3) of the patches named."""
        return self.lab[self._places(ids)]

    def spectra_of(self, ids: Iterable[str]) -> Array | None:
        """Reflectance (k, 31) on WAVELENGTHS_NM of the patches named, or None where none was measured."""
        if self.spectra is None or self.wavelengths is None:
            return None
        return self.spectra[self._places(ids)] @ interpolation(self.wavelengths, WAVELENGTHS_NM).T

    def check_against(self, card: CardLayout) -> None:
        """Raise MismatchError unless the profile has the card's patches, bed and paper, and looks like it."""
        wanted = {*card.patch_ids, BED, PAPER}
        for what, ids in (("lacks patches of the card", wanted - set(self.ids)),
                          ("names patches the card does not have", set(self.ids) - wanted)):
            if ids:
                raise MismatchError(f"the profile {what}", where=self._where(card),
                                    found=", ".join(sorted(ids)),
                                    remedy="give the profile of this card's own print run")
        typical = float(np.median(self.from_design(card)))
        if typical > MOST_FROM_DESIGN:
            raise MismatchError("the measured colours are not those of this card", where=self._where(card),
                                found=f"a median difference of {typical:.1f} (CIEDE2000)",
                                allowed=f"up to {MOST_FROM_DESIGN:g}",
                                remedy="check the order in which the patches were measured")

    def from_design(self, card: CardLayout) -> Array:
        """CIEDE2000 (n,) between each of the card's patches as measured and as designed."""
        return delta_e_2000(self.lab_of(card.patch_ids), card.nominal_lab())

    def _where(self, card: CardLayout) -> str:
        return f"profile of print run {self.run} and card {card.name!r}"

    def _places(self, ids: Iterable[str]) -> list[int]:
        place = {name: i for i, name in enumerate(self.ids)}
        return [place[name] for name in ids]


def nominal(card: CardLayout) -> PrintProfile:
    """The card's colours as designed, for want of a measured profile."""
    lab = np.vstack([card.nominal_lab(), card.nominal_bed_lab(), NOMINAL_PAPER_LAB])
    return PrintProfile(run=None, ids=(*card.patch_ids, BED, PAPER), lab=lab)


def read_profile(path: Path) -> PrintProfile:
    """The profile in a CGATS.17 file, checked in itself; FileError names file and line."""
    return _profile(read_cgats(path))


def profile_of(text: str, where: str) -> PrintProfile:
    """The profile in a CGATS.17 text; ``where`` names it in messages."""
    return _profile(table_of(text, where))


def _profile(table: CgatsTable) -> PrintProfile:
    if not table.rows:
        raise FileError("the table contains no patches", where=table.where, remedy="export it again")
    _check_conditions(table)
    ids, run = _ids(table), _run(table)
    wavelengths, spectra = _spectra(table)
    lab = _lab(table, _computed_lab(wavelengths, spectra))
    return PrintProfile(run=run, ids=ids, lab=lab, spectra=spectra, wavelengths=wavelengths)


def _run(table: CgatsTable) -> int:
    text = table.header.get("PRINT_RUN", "")
    if not text.isdecimal() or int(text) not in RUNS:
        raise FileError("PRINT_RUN is not the number of a print run", where=table.where,
                        found=repr(text) if text else "no such keyword",
                        allowed=f"a whole number from {RUNS.start} to {RUNS.stop - 1}",
                        remedy='add the lines KEYWORD "PRINT_RUN" and PRINT_RUN "7", the number on the card')
    return int(text)


def _check_conditions(table: CgatsTable) -> None:
    """Raise FileError if the file states that its colours are not for D50 and 2 degrees."""
    text = " ".join(f"{k} {v}" for k, v in table.header.items() if k in _CONDITIONS)
    light, angle = _ILLUMINANT.search(text), _OBSERVER.search(text)
    if (light and light[1].upper() != "D50") or (angle and int(angle[1]) != 2):
        raise FileError("the colours are not for D50 and the 2 degree observer", where=table.where,
                        found=text, allowed="Illumination=D50 ObserverAngle=2",
                        remedy="export the measurement again with these settings")


def _ids(table: CgatsTable) -> tuple[str, ...]:
    if "SAMPLE_ID" not in table.fields:
        raise FileError("the data format has no SAMPLE_ID", where=table.where,
                        found=", ".join(table.fields[:8]),
                        allowed="SAMPLE_ID with the patch names of the card, BED and PAPER")
    seen: dict[str, str] = {}
    for row in table.rows:
        name = row.cells["SAMPLE_ID"]
        if name in seen:
            raise FileError(f"patch {name} is listed twice", where=row.where,
                            found=f"also at {seen[name]}", remedy="delete one of the two lines")
        seen[name] = row.where
    return tuple(seen)


def _spectra(table: CgatsTable) -> tuple[Array | None, Array | None]:
    """Wavelengths (w,) upwards and reflectance factors (n, w); None where the file has none."""
    columns = {f: float(m[1]) for f in table.fields if (m := _SPECTRAL.fullmatch(f))}
    if not columns:
        return None, None
    fields = sorted(columns, key=columns.__getitem__)
    wavelengths = np.array([columns[f] for f in fields])
    if len(fields) < 4 or wavelengths[0] > 420 or wavelengths[-1] < 680 or np.diff(wavelengths).max() > 20:
        raise FileError("the spectra do not cover the visible range", where=table.where,
                        found=f"{len(fields)} wavelengths, {wavelengths[0]:g} to {wavelengths[-1]:g} nm",
                        allowed="420 nm or below to 680 nm or above in steps of at most 20 nm")
    spectra = np.array([[row.number(f) for f in fields] for row in table.rows])
    if spectra.max() > _PERCENT_FROM:
        spectra = spectra / 100
    for row, spectrum in zip(table.rows, spectra, strict=True):
        if spectrum.min() < -0.01 or spectrum.max() > _PERCENT_FROM:
            raise FileError("the reflectance is impossible", where=row.where,
                            found=f"{spectrum.min():.4g} to {spectrum.max():.4g}",
                            allowed=f"0 to {_PERCENT_FROM:g}, or 0 to 100 percent in the whole file")
    return wavelengths, spectra


def _computed_lab(wavelengths: Array | None, spectra: Array | None) -> Array | None:
    if wavelengths is None or spectra is None:
        return None
    return xyz_to_lab(reflectance_to_xyz(spectra, "D50", wavelengths_nm=wavelengths))


def _lab(table: CgatsTable, computed: Array | None) -> Array:
    """CIELAB as stated, else of the spectra; what is stated must be possible and agree with its spectrum."""
    if not set(_LAB_FIELDS) <= set(table.fields):
        if computed is None:
            raise FileError("the file has neither CIELAB nor spectra", where=table.where,
                            found=", ".join(table.fields[:8]),
                            allowed=f"{', '.join(_LAB_FIELDS)}, or SPECTRAL_NM400 and so on")
        return computed
    lab = np.array([[row.number(f) for f in _LAB_FIELDS] for row in table.rows])
    apart = np.zeros(len(lab)) if computed is None else delta_e_2000(lab, computed)
    for row, colour, difference in zip(table.rows, lab, apart, strict=True):
        if colour[0] < 0 or (np.abs(colour) > _LAB_MAX).any():
            raise FileError("the colour is impossible", where=row.where, found=f"L*a*b* {colour.tolist()}",
                            allowed="L* 0 to 100, a* and b* -128 to 128", remedy="measure the patch again")
        if difference > _LAB_AGAINST_SPECTRUM:
            raise FileError("L*a*b* and spectrum of the patch disagree", where=row.where,
                            found=f"a difference of {difference:.1f} (CIEDE2000)",
                            allowed=f"up to {_LAB_AGAINST_SPECTRUM:g}",
                            remedy="export both from one measurement, for D50 and 2 degrees")
    return lab


def profile_text(profile: PrintProfile, *, names: Mapping[str, str], descriptor: str, originator: str) -> str:
    """The text; ``names``: colour names by patch id, the id itself where there is none."""
    return "\n".join(_lines(profile, names, (originator, descriptor))) + "\n"


def _lines(profile: PrintProfile, names: Mapping[str, str], labels: tuple[str, str]) -> Iterator[str]:
    nanometres = [] if profile.wavelengths is None else profile.wavelengths.tolist()
    fields = ["SAMPLE_ID", "SAMPLE_NAME", "LAB_L", "LAB_A", "LAB_B", *(f"SPECTRAL_NM{w:.0f}" for w in nanometres)]
    yield from ("CGATS.17", f'ORIGINATOR "{_plain(labels[0])}"', f'DESCRIPTOR "{_plain(labels[1])}"')
    yield from ('KEYWORD "PRINT_RUN"', f'PRINT_RUN "{profile.run}"')
    yield 'MEASUREMENT_SOURCE "Illumination=D50 ObserverAngle=2"'
    yield from (f"NUMBER_OF_FIELDS {len(fields)}", "BEGIN_DATA_FORMAT", " ".join(fields), "END_DATA_FORMAT")
    yield from (f"NUMBER_OF_SETS {len(profile.ids)}", "BEGIN_DATA")
    for i, name in enumerate(profile.ids):
        spectrum = [] if profile.spectra is None else profile.spectra[i].tolist()
        numbers = [*(f"{v:.2f}" for v in profile.lab[i].tolist()), *(f"{v:.4f}" for v in spectrum)]
        yield "\t".join([name, _plain(names.get(name, name)), *numbers])
    yield "END_DATA"


def _plain(text: str) -> str:
    """The text without characters that would end a cell or a quoted string."""
    return " ".join(text.replace('"', "'").split())
