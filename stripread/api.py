"""The work in three calls for Python: `calibrate`, `read_photo`, `assess`.

Files may be given by their paths or as what was loaded from them.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from calibration.chart import Chart, load_chart
from calibration.release import releases_beside, state_of
from shared.card import CardLayout, default_card
from shared.profile import PrintProfile, read_profile
from shared.strip import StripType, default_strip
from stripread.reading import read
from stripread.reading.assessment import assess
from stripread.reading.calibrate import Material, calibrate_material
from stripread.reading.context import clock_flags, with_status_flags
from stripread.reading.result import ManualLocation, Reading

__all__ = ("assess", "calibrate", "read_photo")


def calibrate(standards: Path | str, profile: PrintProfile | Path | str, *, batch: str,
              card: CardLayout | None = None, strip: StripType | None = None) -> Chart:
    """The chart of a strip batch from a standards table (CSV) and the photographs it names.

    Raises InputError for a table, photograph or profile that cannot be used. Photographs in which no strip can
    be read are left out; the chart's ``conditions.excluded`` lists them with the reason.
    """
    return calibrate_material(Material(
        card=card or default_card(), strip=strip or default_strip(), profile=_profile(profile),
        table=Path(standards), batch=batch)).chart


def read_photo(path: Path | str, chart: Chart | Path | str,
               profile: PrintProfile | Path | str | None = None, *, manual: ManualLocation | None = None) -> Reading:
    """The values of one photograph on a batch's chart, with 95 % intervals, or no result, with the reason.

    ``chart``: its file, with its releases in the same folder, or a loaded chart, which counts as a draft. ``profile``:
    measured colours of the card's print run; without it nominal ones and wider intervals. ``manual``: corners of the
    card or pads that a person placed, where the program does not find them.
    Raises InputError for a file that is not a photograph, or files that do not belong together.
    """
    loaded = chart if isinstance(chart, Chart) else load_chart(Path(chart))
    releases = () if isinstance(chart, Chart) else releases_beside(Path(chart))
    profiles = [] if profile is None else [_profile(profile)]
    for measured in profiles:
        measured.check_against(loaded.card)
    now = datetime.now(UTC)
    reading = read.read_photo(path, loaded, profiles, manual)
    return with_status_flags(reading, (*state_of(loaded.id, releases, now=now),
                                       *clock_flags(reading.provenance.taken, now)))


def _profile(profile: PrintProfile | Path | str) -> PrintProfile:
    return profile if isinstance(profile, PrintProfile) else read_profile(Path(profile))
