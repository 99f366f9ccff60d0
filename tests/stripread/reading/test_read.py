"""A reading says everything that it takes to make it again."""

import os
import subprocess
import sys
from pathlib import Path

import cv2
import msgspec
import numpy as np

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.reading.photo_file import open_photo
from stripread.reading.read import read_file, read_photo
from stripread.reading.result import ManualLocation, Reading


def test_a_reading_records_its_inputs_and_is_reproducible(samples: Path, sample_chart: Chart,
                                                         sample_profile: PrintProfile) -> None:
    path = samples / "sites" / "mill-yard.jpg"
    free = read_photo(path, sample_chart, [sample_profile])
    assert free.card is not None
    hand = ManualLocation(corners=free.card.corners_px, pads={p.analyte: p.px for p in free.pads[::2]})
    made = read_photo(path, sample_chart, [sample_profile], hand)
    kept = msgspec.json.decode(msgspec.json.encode(made), type=Reading)
    assert kept == made
    assert (free.provenance.placed, kept.provenance.placed, kept.provenance.runs) == (None, hand, (7,))
    again = read_file(open_photo(path), sample_chart, [sample_profile], kept.provenance.placed)
    assert msgspec.json.encode(again) == msgspec.json.encode(made)


def test_versions_of_libraries_are_recorded(samples: Path, sample_chart: Chart) -> None:
    made = read_photo(samples / "faults" / "no-strip.jpg", sample_chart).provenance.libraries
    assert (made["numpy"], made["opencv"]) == (np.__version__, cv2.__version__)
    assert all(made.values())


def test_two_programs_read_the_same(samples: Path, sample_chart_file: Path) -> None:
    """Whatever order their dictionaries and sets have, on however many threads."""
    command = [sys.executable, "-m", "stripread", "read", str(samples / "sites" / "mill-yard.jpg"), "--json", "--chart",
               str(sample_chart_file), "--profile", str(samples / "card-run-007.txt")]
    printed = []
    for seed, threads in (("1", "1"), ("2", "3")):
        settings = {"PYTHONHASHSEED": seed, "OPENBLAS_NUM_THREADS": threads, "OPENCV_FOR_THREADS_NUM": threads}
        printed.append(subprocess.check_output(command, env={**os.environ, **settings}))
    assert printed[0] == printed[1]
    assert printed[0].startswith(b'{"photo":"mill-yard.jpg","status":"measured"')
