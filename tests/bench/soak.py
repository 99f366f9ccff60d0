"""Kill -9 at random moments while photographs are added: `python -m tests.bench.soak [ROUNDS]`, a thousand if not said.

After each kill nothing that was acknowledged may be lost, no reading may be half there, the records must verify, and
adding the same photographs again must complete what is missing and double nothing.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store

SAMPLES = Path(__file__).parents[2] / "sample_images"
#: One that takes its time and two that are refused at once.
PHOTOS = ("faults/no-strip.jpg", "sites/harbour-kiosk.jpg", "faults/overexposed.jpg")
BATCH = "soak"
#: Rounds in one store, before a fresh one keeps the checks short.
ROUNDS_A_STORE = 20
#: A kill comes within so many seconds of a line that was printed, or at any moment of the whole.
SOON_S = 0.4


@dataclass(frozen=True, slots=True)
class Place:
    """A store in a folder of its own, as the settings name it."""

    folder: Path

    @property
    def settings(self) -> Settings:
        """Where it is."""
        return Settings(database=f"sqlite:///{self.folder / 'records.sqlite'}",
                        photographs=str(self.folder / "photographs"))

    def command(self, *args: str) -> list[str]:
        """A command line of the program under test."""
        return [sys.executable, "-m", "stripread", *args]

    def environment(self) -> Mapping[str, str]:
        """Its environment: this store, and the code of this folder."""
        return {**os.environ, "STRIPREAD_DATABASE": self.settings.database, "HOME": str(self.folder),
                "STRIPREAD_PHOTOGRAPHS": self.settings.photographs, "OPENBLAS_NUM_THREADS": "1",
                "PYTHONPATH": str(SAMPLES.parent), "PYTHONUNBUFFERED": "1"}

    def run(self, *args: str) -> str:
        """Run a command to its end; what it printed. Some photographs are refused: status 1 is no fault."""
        done = subprocess.run(self.command(*args), env=self.environment(), capture_output=True, text=True, check=False)
        assert done.returncode in (0, 1), done.stderr
        return done.stdout

    def fresh(self, folder: Path) -> Place:
        """A copy of it as it is now, nothing of it open."""
        shutil.copytree(self.folder, folder)
        return Place(folder)


@dataclass(slots=True)
class Soak:
    """Rounds of kills; ``photos`` are added in each; ``met`` counts how far the command had come when it was killed."""

    origin: Place
    rng: random.Random
    photos: tuple[str, ...] = PHOTOS
    lasts_s: float = 0.0
    met: Counter[str] = field(default_factory=Counter)

    def rounds(self, count: int, work: Path) -> None:
        """So many kills, each checked; raises AssertionError for the first thing that does not hold."""
        place = self.origin
        for i in range(count):
            if i % ROUNDS_A_STORE == 0:
                place = self.origin.fresh(work / f"store-{i}")
                self.lasts_s = self.lasts_s or self._measure(place, work)
            self._round(place, [_unique(SAMPLES / name, work / f"round-{i}", self.rng) for name in self.photos])
            if i % ROUNDS_A_STORE == ROUNDS_A_STORE - 1:
                shutil.rmtree(place.folder)
            if i % 50 == 49:
                print(f"{i + 1} kills: {_told(self.met)}", flush=True)

    def _measure(self, place: Place, work: Path) -> float:
        """How long it takes undisturbed, seconds."""
        started = time.monotonic()
        place.run(*_add([_unique(SAMPLES / name, work / "measured", self.rng) for name in self.photos], 1))
        return time.monotonic() - started

    def _round(self, place: Place, photos: list[Path]) -> None:
        args = _add(photos, self.rng.choice((1, 1, 1, 2)))
        lines = self._killed(place, args)
        acknowledged = {str(line["received"]) for line in lines if "received" in line}
        read = {str(line["reading"]) for line in lines if line.get("reading")}
        self.met[f"{len(acknowledged)} received, {len(read)} read"] += 1
        store = open_store(place.settings)
        check(store, acknowledged, read)
        before = dict(_readings(store))
        place.run(*args)
        check(store, acknowledged, read)
        _check_completed(store, photos, before)
        store.close()

    def _killed(self, place: Place, args: Iterable[str]) -> list[dict[str, object]]:
        """Start the command, kill it and all its processes at a random moment; the lines it had printed by then."""
        whole = self.rng.random() < 0.3
        awaited = 0 if whole else self.rng.randint(1, 2 * len(self.photos))
        delay = self.rng.uniform(0.0, self.lasts_s if whole else SOON_S)
        printed, ended = killed(place, args, awaited, delay)
        self.met["ended before"] += ended
        return [json.loads(line) for line in printed if line.endswith("\n")]


def killed(place: Place, args: Iterable[str], awaited: int, delay_s: float) -> tuple[list[str], bool]:
    """Start a command; kill it and all its processes so long after so many lines.

    The lines it had printed, and whether it had ended by then.
    """
    with subprocess.Popen(place.command(*args), env=place.environment(), stdout=subprocess.PIPE, text=True,
                          stderr=subprocess.DEVNULL, start_new_session=True) as process:
        assert process.stdout is not None
        printed = [process.stdout.readline() for _ in range(awaited)]
        time.sleep(delay_s)
        ended = process.poll() is not None
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        printed += process.stdout.readlines()
    return printed, ended


def check(store: Store, acknowledged: Iterable[str], read: Iterable[str]) -> None:
    """What must hold after a kill: all that was acknowledged is there, nothing is half there, the records verify."""
    for sha256 in acknowledged:
        assert store.find(Photograph, id=sha256), f"{sha256} was acknowledged and is lost"
        store.photographs.get(sha256)
    readings = dict(_readings(store))
    assert set(read) <= set(readings.values()), "a reading was told and is lost"
    assert len(readings) == len(store.ids(StoredReading)), "a photograph has two readings"
    for id_ in store.ids(StoredReading, status="read"):
        assert len(store.ids(StoredAssessment, reading=id_)) == 1, f"{id_} is half there"
    found = verify_store(store)
    assert not found.wrong, found.wrong


def _check_completed(store: Store, photos: list[Path], before: Mapping[str, str]) -> None:
    readings = dict(_readings(store))
    assert before.items() <= readings.items(), "a reading was made again that was there"
    names = {photograph.id: photograph.name for photograph in store.find(Photograph)}
    assert {path.name for path in photos} <= {names[sha256] for sha256 in readings}, "a photograph has no reading"
    assert not verify_store(store).notes, verify_store(store).notes


def _readings(store: Store) -> Iterable[tuple[str, str]]:
    """Photograph and reading."""
    return ((kept.photograph, kept.id) for kept in store.find(StoredReading))


def _unique(photo: Path, folder: Path, rng: random.Random) -> Path:
    """A copy that no other is the same as: some bytes follow the end of the picture."""
    folder.mkdir(parents=True, exist_ok=True)
    copy = folder / f"{rng.getrandbits(64):016x}.jpg"
    copy.write_bytes(photo.read_bytes() + rng.randbytes(16))
    return copy


def _add(photos: Iterable[Path], processes: int) -> tuple[str, ...]:
    return ("readings", "take", *map(str, photos), "--batch", BATCH, "--json", "--processes", str(processes))


def _told(met: Counter[str]) -> str:
    return "; ".join(f"{what}: {count}" for what, count in sorted(met.items()))


def prepared(folder: Path, chart: Path) -> Place:
    """A store that holds the chart and the samples' profile."""
    folder.mkdir()
    place = Place(folder)
    place.run("chart", "register", str(chart))
    place.run("card", "register", str(SAMPLES / "card-run-007.txt"))
    return place


@dataclass(frozen=True, slots=True)
class Begun:
    """A soak as its command line asks for it: how many kills, chance, a folder to work in, a chart of the samples."""

    count: int
    rng: random.Random
    work: Path
    chart: Path


@contextmanager
def begun(usual: int) -> Iterator[Begun]:
    """Tells how many kills there will be, ``usual`` if not said, and the seed that repeats them; in a new folder."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else usual
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else random.SystemRandom().getrandbits(32)
    print(f"{count} kills, seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        chart = Path(folder) / "chart.json"
        Place(Path(folder)).run("calibrate", str(SAMPLES / "standards" / "standards.csv"), "--profile",
                                str(SAMPLES / "card-run-007.txt"), "--batch", BATCH, "-o", str(chart))
        yield Begun(count, random.Random(seed), Path(folder), chart)


def main() -> None:
    """The whole soak."""
    with begun(1000) as asked:
        soak = Soak(prepared(asked.work / "origin", asked.chart), asked.rng)
        soak.rounds(asked.count, asked.work)
    print(f"{asked.count} kills, nothing lost: {_told(soak.met)}")


if __name__ == "__main__":
    main()
