"""A reading says everything that it takes to make it again."""

from pathlib import Path

import cv2
import msgspec
import numpy as np

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.reading.photo import open_photo
from stripread.reading.read import read_file, read_photo
from stripread.reading.result import Placed, Reading


def test_what_was_given_is_kept_and_gives_the_same_again(samples: Path, sample_chart: Chart,
                                                         sample_profile: PrintProfile) -> None:
    path = samples / "sites" / "mill-yard.jpg"
    free = read_photo(path, sample_chart, [sample_profile])
    assert free.card is not None
    hand = Placed(corners=free.card.corners_px, pads={p.analyte: p.px for p in free.pads[::2]})
    made = read_photo(path, sample_chart, [sample_profile], hand)
    kept = msgspec.json.decode(msgspec.json.encode(made), type=Reading)
    assert kept == made
    assert (free.provenance.placed, kept.provenance.placed, kept.provenance.runs) == (None, hand, (7,))
    again = read_file(open_photo(path), sample_chart, [sample_profile], kept.provenance.placed or Placed())
    assert msgspec.json.encode(again) == msgspec.json.encode(made)


def test_versions_of_libraries_are_kept(samples: Path, sample_chart: Chart) -> None:
    made = read_photo(samples / "faults" / "no-strip.jpg", sample_chart).provenance.libraries
    assert (made["numpy"], made["opencv"]) == (np.__version__, cv2.__version__)
    assert all(made.values())
