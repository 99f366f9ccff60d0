"""How long a reading takes, as ratios to plain decoding in the same run, and how much memory it needs."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from calibration.chart import Chart, save_chart
from shared.profile import PrintProfile
from stripread.reading.decoder import decode_in_place
from stripread.reading.locate import locate
from stripread.reading.observe import Observation, observe
from stripread.reading.photo import MEASURED_PX
from stripread.reading.photo_file import load_photo
from stripread.reading.read import read_photo, to_reading
from tests.bench.samples import SITES, chart_and_profile

#: A phone's photograph: 12 megapixels.
_PHONE = (4000, 3000)
#: Copies of each of the eight sites in the big folder: evaluating 768 photographs takes far longer than starting a
#: process.
_COPIES = 96


def seconds(work: Callable[[], object], times: int = 7) -> float:
    """Median processor time of a call."""
    return float(np.median([_once(work) for _ in range(times)]))


def ratio(work: Callable[[], object], yardstick: Callable[[], object], times: int = 25) -> float:
    """Median processor time of a call in that of another; the two take turns, since a machine's speed changes."""
    return float(np.median([_once(work) / _once(yardstick) for _ in range(times)]))


def _once(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def phone_photo(folder: Path) -> Path:
    """A 12-megapixel JPEG made from a sample."""
    small = cv2.imread(str(SITES[0]))
    assert small is not None
    path = folder / "phone.jpg"
    cv2.imwrite(str(path), cv2.resize(small, _PHONE, interpolation=cv2.INTER_CUBIC), [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def warm(photo: Path, chart: Chart, profile: PrintProfile) -> None:
    """Reading against a plain full decode, one thread; its own decoding counts, so that it happens in this process."""
    cv2.setNumThreads(1)
    decode_in_place()
    read_photo(photo, chart, [profile])
    times = ratio(lambda: read_photo(photo, chart, [profile]), lambda: cv2.imread(str(photo)))
    print(f"read a 12-megapixel JPEG: {times:.2f} times a plain cv2.imread (at most 1.2)")


def stages(path: Path, chart: Chart, profile: PrintProfile) -> None:
    """Where the time of a reading goes, in hundredths."""
    photo = load_photo(path, MEASURED_PX)
    seen = observe(photo, chart.card, chart.strip, [profile])
    assert isinstance(seen, Observation)
    taken = {
        "decoding": seconds(lambda: load_photo(path, MEASURED_PX)),
        "locating the card": seconds(lambda: locate(photo.pixels, chart.card, [seen.located.run])),
        "observing": seconds(lambda: observe(photo, chart.card, chart.strip, [profile])),
        "values and report": seconds(lambda: to_reading(photo, seen, chart)),
    }
    taken["light, camera, strip, pads"] = taken.pop("observing") - taken["locating the card"]
    whole = sum(taken.values())
    print("of which " + ", ".join(f"{name} {100 * t / whole:.0f} %" for name, t in taken.items()))


def cold(photo: Path, chart: Path, profile: Path) -> None:
    """The whole command against an interpreter that imports OpenCV and NumPy."""
    read = [str(Path(sys.executable).with_name("stripread")), "read", str(photo), "--chart", str(chart),
            "--profile", str(profile)]
    bare = [sys.executable, "-c", "import cv2, numpy"]
    ratio = _children(lambda: subprocess.run(read, check=True, stdout=subprocess.DEVNULL)) / _children(
        lambda: subprocess.run(bare, check=True))
    print(f"stripread read, one photograph, cold: {ratio:.1f} times python -c 'import cv2, numpy' (under 8)")


def overview() -> None:
    """The command overview against an interpreter that imports what reads the command line."""
    help_ = [sys.executable, "-m", "stripread", "--help"]
    bare = [sys.executable, "-c", "import click"]
    ratio = _children(lambda: subprocess.run(help_, check=True, stdout=subprocess.DEVNULL)) / _children(
        lambda: subprocess.run(bare, check=True))
    print(f"stripread --help: {ratio:.1f} times python -c 'import click' (at most 1.6)")


def _children(work: Callable[[], object], times: int = 5) -> float:
    """Median processor time of the child processes of a call."""
    taken = []
    for _ in range(times):
        before = os.times()
        work()
        after = os.times()
        taken.append(after.children_user + after.children_system - before.children_user - before.children_system)
    return float(np.median(taken))


def processes(chart: Path, profile: Path, folder: Path) -> None:
    """A folder of photographs on one process and on two, wall time: the best of runs that take turns.

    Each on one thread, as with other processes running; OpenCV alone would use a little of the second core.
    """
    one_thread = {**os.environ, "OPENCV_FOR_THREADS_NUM": "1"}
    taken: dict[int, list[float]] = {1: [], 2: []}
    for n in (*taken, *taken):
        command = [str(Path(sys.executable).with_name("stripread")), "read", str(folder), "--chart", str(chart),
                   "--profile", str(profile), "--processes", str(n)]
        start = time.monotonic()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=one_thread)
        taken[n].append(time.monotonic() - start)
    print(f"read a folder of {len(list(folder.iterdir()))} photographs: two processes "
          f"{min(taken[1]) / min(taken[2]):.2f} times as fast as one (at least 1.8)")


def copies(folder: Path, times: int) -> Path:
    """A folder with each sample site ``times`` times."""
    many = folder / "many"
    many.mkdir()
    for site in SITES:
        for k in range(times):
            (many / f"{site.stem}-{k}.jpg").symlink_to(site)
    return many


def memory(photo: Path, chart: Path, profile: Path) -> None:
    """Peak resident memory of one reading above the interpreter with its imports."""
    with get_context("spawn").Pool(1) as pool:
        grown = pool.apply(_grown, (photo, chart, profile))
    print(f"memory above the imports while reading a 12-megapixel JPEG: {grown:.0f} MB (under 150)")


def _grown(photo: Path, chart: Path, profile: Path) -> float:
    from calibration.chart import load_chart
    from shared.profile import read_profile

    before = _peak_mb()
    read_photo(photo, load_chart(chart), [read_profile(profile)])
    return _peak_mb() - before


def _peak_mb() -> float:
    """Peak resident memory of this program; getrusage would count the parent's before exec as well."""
    line = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmHWM"))
    return float(line.split()[1]) / 1024


def run() -> None:
    """Print every figure."""
    overview()
    chart, profile, profile_path = chart_and_profile()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photo, chart_path = phone_photo(folder), folder / "chart.json"
        save_chart(chart, chart_path)
        warm(photo, chart, profile)
        stages(photo, chart, profile)
        cold(photo, chart_path, profile_path)
        memory(photo, chart_path, profile_path)
        processes(chart_path, profile_path, copies(folder, _COPIES))
