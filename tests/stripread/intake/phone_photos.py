"""A store with the samples' chart and profile, and photographs of the samples as a phone would have written them."""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path

import msgspec
import numpy as np
from PIL import ExifTags, Image

from calibration.chart import Chart
from calibration.curve import Curve
from stripread.intake.materials_import import import_file, register_chart
from stripread.reading.photo_file import PhotoFile
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, empty_store, with_site

MAKE, MODEL = "Fernrohr", "Nachtigall 3"
CAMERA = f"{MAKE} {MODEL}"
#: Where no photograph of this project was taken: 12 degrees 34 minutes north and east, in the sea.
PLACE = {1: "N", 2: (12.0, 34.0, 0.0), 3: "E", 4: (12.0, 34.0, 0.0)}


def desk(folder: Path, samples: Path, chart: Chart, *, now: datetime | None = None) -> Store:
    """A store with one account, a site with two sampling points, chart and profile of the samples."""
    store = with_site(empty_store(folder) if now is None else empty_store(folder, now=now))
    register_chart(store, ACCOUNT, chart)
    import_file(store, ACCOUNT, samples / "card-run-007.txt")
    return store


def phone_photo(path: Path, *, taken: str | None = None, camera: bool = True, place: bool = False) -> PhotoFile:
    """A sample as a phone would write it: with make and model, time and place in its EXIF; pixels as they were."""
    with Image.open(path) as picture:
        exif = picture.getexif()
        if camera:
            exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = MAKE, MODEL
        if taken is not None:
            exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = taken
        if place:
            exif.get_ifd(ExifTags.IFD.GPSInfo).update(PLACE)
        out = io.BytesIO()
        picture.save(out, "JPEG", quality="keep", exif=exif)
    return PhotoFile(path.name, out.getvalue())


def shifted(chart: Chart) -> Chart:
    """The chart with each curve shifted along itself by a part of the way to its next node: it reads otherwise."""
    return msgspec.structs.replace(chart, curves=tuple(_shifted(curve, 0.2) for curve in chart.curves))


def _shifted(curve: Curve, part: float) -> Curve:
    nodes = np.array(curve.weights)
    moved = np.vstack([(1 - part) * nodes[:-1] + part * nodes[1:], nodes[-1:]])
    return msgspec.structs.replace(curve, weights=tuple(map(tuple, moved.tolist())))
