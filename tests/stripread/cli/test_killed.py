"""Killed at random moments of adding, re-evaluating and backing up: a few of the many times of `make soak`."""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from calibration.chart import Chart, save_chart
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import open_store
from tests.bench.soak import PHOTOS, Place, check
from tests.stripread.cli.inside import stripread

ROOT = Path(__file__).parents[3]


@pytest.fixture
def chart(tmp_path: Path, sample_chart: Chart) -> Path:
    """The chart of the batch that the soak's photographs show."""
    path = tmp_path / "chart.json"
    save_chart(msgspec.structs.replace(sample_chart, batch="soak"), path)
    return path


@pytest.fixture
def place(tmp_path: Path, chart: Path, samples: Path, monkeypatch: pytest.MonkeyPatch) -> Place:
    """A store that the environment names, with the chart and one reading."""
    place = Place(tmp_path)
    for name in ("STRIPREAD_DATABASE", "STRIPREAD_PHOTOGRAPHS", "HOME"):
        monkeypatch.setenv(name, place.environment[name])
    assert stripread("chart", "register", chart).returncode == 0
    taken = stripread("readings", "take", samples / PHOTOS[-1], "--batch", "soak", "--processes", "1")
    assert "stored as reading" in taken.stdout, taken.stderr
    return place


@pytest.mark.parametrize("soak", ["soak", "soak_upkeep"])
def test_nothing_is_lost_or_partial(soak: str, chart: Path) -> None:
    """The seed is another each time; the soak prints it, so that a failure can be made again.

    In a process of its own: it forks, which only a process without other threads may do.
    """
    seed = random.SystemRandom().getrandbits(32)
    done = subprocess.run([sys.executable, "-m", f"tests.bench.{soak}", "4", str(seed), "--chart", str(chart)],
                          cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "\n4 kills, nothing lost" in done.stdout, done.stdout


def test_the_soak_sees_what_it_looks_for(place: Place) -> None:
    store = open_store(place.settings)
    assert not check(store, (), ())
    with pytest.raises(AssertionError, match="acknowledged and is lost"):
        check(store, ["0" * 64], ())
    with pytest.raises(AssertionError, match="reported and is lost"):
        check(store, (), ["another"])
    (photograph,) = store.photographs.names()
    store.photographs.remove(photograph)
    with pytest.raises(AssertionError, match="missing"):
        check(store, (), ())
    assessments = RECORD_TYPES[StoredAssessment].table
    with store.engine.begin() as connection:
        for name in connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger'").scalars().all():
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        connection.execute(assessments.delete())
    with pytest.raises(AssertionError, match="is partial"):
        check(store, (), ())
    assert len(store.find(StoredReading)) == 1
    store.close()
