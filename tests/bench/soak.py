"""Kill -9 at random moments while photographs are added: `python -m tests.bench.soak [KILLS [SEED]]` [default: 1000].

After each kill nothing that was acknowledged may be lost, no reading may be partial, the store must verify, and adding
the same photographs again must complete what is missing and duplicate nothing. Half of the kills come at a moment
chosen uniformly over the time that the command takes undisturbed, half immediately before or after one of the calls by
which it changes a file or the database. Both are measured first, on each store.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from stripread.reading.decoder import decode_in_place
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.bench.forked import Ended, fork, warm

SAMPLES = Path(__file__).parents[2] / "sample_images"
#: One with a result and one without, so that a round has two acknowledgements and two results.
PHOTOS = ("faults/no-strip.jpg", "sites/harbour-kiosk.jpg")
BATCH = "soak"
#: Rounds in one store; then a fresh one keeps the verification short.
ROUNDS_A_STORE = 20


@dataclass(frozen=True, slots=True)
class Place:
    """A store in a folder of its own, as the settings name it."""

    folder: Path

    @property
    def settings(self) -> Settings:
        """The settings of the store."""
        return Settings(database=f"sqlite:///{self.folder / 'records.sqlite'}",
                        photographs=str(self.folder / "photographs"))

    @property
    def environment(self) -> Mapping[str, str]:
        """Environment variables that name the store."""
        return {**os.environ, "STRIPREAD_DATABASE": self.settings.database, "HOME": str(self.folder),
                "STRIPREAD_PHOTOGRAPHS": self.settings.photographs, "STRIPREAD_DEBUG": "1"}

    def run(self, *args: str) -> Ended:
        """Run a command to its end. A photograph without a result gives status 1, which is not a fault."""
        ended = fork(args, self.environment, self.folder / "streams").wait()
        assert ended.status in (0, 1), ended.err
        return ended

    def killed(self, args: Iterable[str], moment: Moment) -> Ended:
        """Start a command and kill it, with all its processes, at a moment; it may have ended before."""
        child = fork(tuple(args), self.environment, self.folder / "streams", effect=moment.effect)
        ended = child.wait() if moment.effect is not None else child.kill_after(moment.seconds)
        assert ended.killed or ended.status in (0, 1), ended.err
        return ended

    def fresh(self, folder: Path) -> Place:
        """Return a copy of the store, which is not open."""
        shutil.copytree(self.folder, folder)
        return Place(folder)


@dataclass(frozen=True, slots=True)
class Moment:
    """When a command is killed: after ``seconds``, or at an ``effect`` (`forked.fork`)."""

    seconds: float = 0.0
    effect: int | None = None

    @property
    def kind(self) -> str:
        """A word for the counts."""
        return "at a moment" if self.effect is None else "at a call"


@dataclass(frozen=True, slots=True)
class Undisturbed:
    """How long a command takes undisturbed, and how many effects it has."""

    seconds: float
    effects: int

    @classmethod
    def of(cls, place: Place, args: Iterable[str]) -> Undisturbed:
        """Run a command to its end on copies of the store: in this process to warm it up, then once for each number."""
        args, work = tuple(args), place.folder.with_name(f"{place.folder.name}-measured")
        warm(args, place.fresh(work / "warm").environment)
        seconds = place.fresh(work / "timed").run(*args).seconds
        counted = place.fresh(work / "counted").killed(args, Moment(effect=-1))
        shutil.rmtree(work)
        assert counted.effects > 0, "no effect was counted"
        return cls(seconds, counted.effects)

    def moment(self, rng: random.Random) -> Moment:
        """Choose a moment, uniformly over the time or over the effects."""
        if rng.random() < 0.5:
            return Moment(effect=rng.randrange(self.effects))
        return Moment(seconds=rng.uniform(0.0, self.seconds))


@dataclass(slots=True)
class Soak:
    """Rounds of kills; ``photos`` are added in each; ``met`` counts how far the command had come when it was killed."""

    origin: Place
    rng: random.Random
    photos: tuple[str, ...] = PHOTOS
    met: Counter[str] = field(default_factory=Counter)

    def rounds(self, count: int, work: Path) -> None:
        """Kill ``count`` times and check each; raise AssertionError for the first violation."""
        number = 0
        while self.kills < count:
            folder = work / f"store-{number}"
            self._rounds_in(self.origin.fresh(folder), count, work / "photos")
            shutil.rmtree(folder)
            number += 1
            print(f"{self.kills} kills: {counts(self.met)}", flush=True)

    @property
    def kills(self) -> int:
        """How many commands were killed before they had ended."""
        return sum(number for what, number in self.met.items() if what.startswith("killed at"))

    def _rounds_in(self, place: Place, count: int, photos: Path) -> None:
        undisturbed = Undisturbed.of(place, _add(self._photos(photos)))
        for _ in range(ROUNDS_A_STORE):
            if self.kills < count:
                self._round(place, self._photos(photos), undisturbed.moment(self.rng))
                shutil.rmtree(photos)

    def _photos(self, folder: Path) -> list[Path]:
        return [_unique(SAMPLES / name, folder, self.rng) for name in self.photos]

    def _round(self, place: Place, photos: list[Path], moment: Moment) -> None:
        args = _add(photos)
        ended = place.killed(args, moment)
        lines = [json.loads(line) for line in ended.out.splitlines(keepends=True) if line.endswith("\n")]
        acknowledged = {str(line["received"]) for line in lines if "received" in line}
        read = {str(line["reading"]) for line in lines if line.get("reading")}
        self._count(ended, moment, len(acknowledged), len(read))
        store = open_store(place.settings)
        check(store, acknowledged, read)
        before = dict(_readings(store))
        store.close()
        place.run(*args)
        store = open_store(place.settings)
        assert not check(store, acknowledged, read), "a photograph has no record"
        _check_completed(store, photos, before)
        store.close()

    def _count(self, ended: Ended, moment: Moment, acknowledged: int, read: int) -> None:
        self.met[f"killed {moment.kind}" if ended.killed else "ended before"] += 1
        if ended.killed:
            self.met[f"killed with {acknowledged} received, {read} evaluated"] += 1


def check(store: Store, acknowledged: Iterable[str], read: Iterable[str]) -> tuple[str, ...]:
    """Check what must be true after a kill: nothing acknowledged is lost, nothing is partial, the store verifies.

    Return the notes of the verification: what an interrupted upload left.
    """
    for sha256 in acknowledged:
        assert store.find(Photograph, id=sha256), f"{sha256} was acknowledged and is lost"
        store.photographs.get(sha256)
    readings = dict(_readings(store))
    assert set(read) <= set(readings.values()), "a reading was reported and is lost"
    assert len(readings) == len(store.ids(StoredReading)), "a photograph has two readings"
    for id_ in store.ids(StoredReading, status="measured"):
        assert len(store.ids(StoredAssessment, reading=id_)) == 1, f"{id_} is partial"
    found = verify_store(store)
    assert not found.wrong, found.wrong
    return found.notes


def _check_completed(store: Store, photos: list[Path], before: Mapping[str, str]) -> None:
    readings = dict(_readings(store))
    assert before.items() <= readings.items(), "a stored reading was made again"
    names = {photograph.id: photograph.name for photograph in store.find(Photograph)}
    assert {path.name for path in photos} <= {names[sha256] for sha256 in readings}, "a photograph has no reading"


def _readings(store: Store) -> Iterable[tuple[str, str]]:
    """Return photograph and reading."""
    return ((stored.photograph, stored.id) for stored in store.find(StoredReading))


def _unique(photo: Path, folder: Path, rng: random.Random) -> Path:
    """Return a copy with a hash of its own: some bytes follow the end of the picture."""
    folder.mkdir(parents=True, exist_ok=True)
    copy = folder / f"{rng.getrandbits(64):016x}.jpg"
    copy.write_bytes(photo.read_bytes() + rng.randbytes(16))
    return copy


def _add(photos: Iterable[Path]) -> tuple[str, ...]:
    return ("readings", "take", *map(str, photos), "--batch", BATCH, "--json", "--processes", "1")


def counts(met: Counter[str]) -> str:
    """Return the counts as text."""
    return "; ".join(f"{what}: {count}" for what, count in sorted(met.items()))


def prepared(folder: Path, chart: Path) -> Place:
    """Return a store with the chart and the samples' profile."""
    folder.mkdir()
    place = Place(folder)
    warm(("chart", "register", str(chart)), place.environment)
    warm(("card", "register", str(SAMPLES / "card-run-007.txt")), place.environment)
    return place


@dataclass(frozen=True, slots=True)
class Begun:
    """A soak as its command line asks for it: number of kills, random numbers, a folder, a chart of the samples."""

    count: int
    rng: random.Random
    work: Path
    chart: Path


@contextmanager
def begun(usual: int) -> Iterator[Begun]:
    """Print the number of kills and the seed that repeats them, provide a folder, and print the time at the end."""
    import cv2

    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int, nargs="?", default=usual)
    parser.add_argument("seed", type=int, nargs="?", default=random.SystemRandom().getrandbits(32))
    parser.add_argument("--chart", type=Path, help="chart of the samples for the batch `soak` [default: calibrated]")
    asked, started = parser.parse_args(), time.monotonic()
    print(f"{asked.count} kills, seed {asked.seed}", flush=True)
    decode_in_place()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        yield Begun(asked.count, random.Random(asked.seed), folder, asked.chart or _calibrated(folder))
    print(f"{time.monotonic() - started:.0f} s, of this {sum(os.times()[:4]):.0f} s of processor time", flush=True)


def _calibrated(folder: Path) -> Path:
    """Return a new chart of the samples."""
    from msgspec.structs import replace

    from calibration.chart import save_chart
    from tests.bench.samples import chart_and_profile

    path = folder / "chart.json"
    save_chart(replace(chart_and_profile()[0], batch=BATCH), path)
    return path


def main() -> None:
    """Run the whole soak."""
    with begun(1000) as asked:
        soak = Soak(prepared(asked.work / "origin", asked.chart), asked.rng)
        soak.rounds(asked.count, asked.work)
        print(f"{asked.count} kills, nothing lost: {counts(soak.met)}")


if __name__ == "__main__":
    main()
