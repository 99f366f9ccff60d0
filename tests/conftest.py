"""What many tests share: the sample photographs, and the chart of their batch, made once."""

from __future__ import annotations

import fcntl
import gc
import os
import pickle
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from playwright.sync_api import Playwright, sync_playwright

from calibration.chart import Chart, save_chart
from shared.card import default_card
from shared.profile import PrintProfile, read_profile
from shared.strip import default_strip
from stripread.reading.calibrate import Calibration, Material, calibrate_material
from tests.services import missing

# How long an example takes says more of what else the machine does than of the code.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# Parallel workers inherit a terminal width, which would wrap what commands print.
os.environ.pop("COLUMNS", None)

#: Files that take longest, started first so that no worker is left alone with one at the end.
LONGEST = ("test_documents.py", "test_year.py", "test_coverage.py", "test_schedules.py", "test_in_browser.py")

SAMPLES = Path(__file__).parents[1] / "sample_images"

# The garbage collector would go through thousands of test items again and again: a third of the processor time.
gc.set_threshold(50_000, 20, 100)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; `make test` keeps this order."""
    items.sort(key=lambda item: item.path.name not in LONGEST)


def pytest_collection_finish() -> None:
    """Keep what was collected, which lives as long as the run, from the garbage collector."""
    gc.freeze()


@pytest.fixture(scope="session")
def samples() -> Path:
    """The folder of rendered photographs with true values (its README says what they are)."""
    return SAMPLES


@pytest.fixture(scope="session")
def sample_profile() -> PrintProfile:
    """The measured colours of the samples' print run."""
    return read_profile(SAMPLES / "card-run-007.txt")


@pytest.fixture(scope="session")
def sample_calibration(sample_profile: PrintProfile, tmp_path_factory: pytest.TempPathFactory,
                       worker_id: str) -> Calibration:
    """The samples' batch calibrated from its standards, by the first of the parallel workers that needs it."""
    own = tmp_path_factory.getbasetemp()
    shared = (own if worker_id == "master" else own.parent) / "sample-calibration.pickle"
    with shared.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not shared.exists():
            table = SAMPLES / "standards" / "standards.csv"
            material = Material(default_card(), default_strip(), sample_profile, table, "samples")
            shared.write_bytes(pickle.dumps(calibrate_material(material)))
    calibration: Calibration = pickle.loads(shared.read_bytes())  # noqa: S301 (written above)
    return calibration


@pytest.fixture(scope="session")
def sample_chart(sample_calibration: Calibration) -> Chart:
    """The chart of the samples' batch, fitted from their standards."""
    return sample_calibration.chart


@pytest.fixture(scope="session")
def sample_chart_file(sample_chart: Chart, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same chart as a file."""
    path = tmp_path_factory.mktemp("chart") / "samples.json"
    save_chart(sample_chart, path)
    return path


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of a browser; without one the test skips, or fails where REQUIRE_SERVICES is set."""
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if path is None:
        missing("no Chromium on this machine; install the package chromium to run this test")
    return path


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    """The driver of browsers; a process can run one only."""
    with sync_playwright() as running:
        yield running
