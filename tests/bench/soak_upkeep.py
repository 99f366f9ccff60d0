"""Kill -9 at random moments of `records reread --supersede` and `records backup`: `python -m tests.bench.soak_upkeep`.

How many times is its argument, 500 if not said. After each kill no reading may be half superseded or twice, the
records must verify, and the backup must be the one before or a whole new one, which can be restored; begun again,
each must come to its end.
"""

from __future__ import annotations

import random
import shutil
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from calibration.chart import load_chart, save_chart
from stripread.store.audit_trail import Checkpoint
from stripread.store.backup.archive import open_archive
from stripread.store.backup.make import RECORDS
from stripread.store.backup.restore import restore
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.models.materials import StoredChart
from stripread.store.store import open_store
from tests.bench.soak import BATCH, PHOTOS, SAMPLES, Place, begun, killed, prepared

#: Rounds in one store, before a fresh one keeps the checks short.
ROUNDS_A_STORE = 20
#: Share of a command's time before which it has hardly begun.
_BEGUN = 0.3
_REREAD = ("readings", "re-evaluate", "--supersede", "--why", "soak", "--processes", "1")


@dataclass(slots=True)
class Upkeep:
    """Rounds of kills on copies of ``origin``, which holds readings and two charts of their batch.

    ``lasts_s``: how long each command takes undisturbed, measured first. ``met``: what it was killed at.
    """

    origin: Place
    rng: random.Random
    lasts_s: dict[str, float] = field(default_factory=dict)
    met: Counter[str] = field(default_factory=Counter)

    def rounds(self, count: int, work: Path) -> None:
        """So many kills, each checked; raises AssertionError for the first thing that does not hold."""
        place = self.origin
        for i in range(count):
            if i % ROUNDS_A_STORE == 0:
                place = self.origin.fresh(work / f"store-{i}")
                if not self.lasts_s:
                    self._measure(work / "measured")
            (self._reread if i % 2 else self._backup)(place)
            if i % ROUNDS_A_STORE == ROUNDS_A_STORE - 1:
                shutil.rmtree(place.folder)

    def _measure(self, folder: Path) -> None:
        place = self.origin.fresh(folder)
        for name, args in (("reread", (*_REREAD, "--chart", _next_chart(place))), ("backup", _backup(place))):
            started = time.monotonic()
            place.run(*args)
            self.lasts_s[name] = time.monotonic() - started
        shutil.rmtree(folder)

    def _killed(self, place: Place, name: str, *args: str) -> None:
        _, ended = killed(place, args, 0, self.rng.uniform(_BEGUN, 1.1) * self.lasts_s[name])
        self.met[f"{name} ended before" if ended else f"{name} killed"] += 1

    def _reread(self, place: Place) -> None:
        """Onto the other chart, killed, then to its end."""
        chart, before = _next_chart(place), _standing(place)
        args = (*_REREAD, "--chart", chart)
        self._killed(place, "reread", *args)
        check(place)
        self.met["some superseded when killed"] += _standing(place) != before
        place.run(*args)
        check(place)
        assert set(_standing(place).values()) == {chart}, "a reading was not superseded"
        assert len(_standing(place)) == len(before), "a reading was lost or doubled"

    def _backup(self, place: Place) -> None:
        """Killed, restored if there is one, then to its end, and restored."""
        before, now = _backed_up(place), _head(place)
        self._killed(place, "backup", *_backup(place))
        found = _backed_up(place)
        assert found in (before, now), "a backup that was never whole"
        self.met["backup whole when killed"] += found == now
        if found is not None:
            _check_restored(place, found)
        place.run(*_backup(place))
        _check_restored(place, now)


def check(place: Place) -> None:
    """What must hold after a kill: each reading is superseded once at most and whole, and the records verify."""
    store = open_store(place.settings)
    readings = store.find(StoredReading)
    successors = Counter(reading.supersedes for reading in readings if reading.supersedes)
    assert all(n == 1 for n in successors.values()), "a reading was superseded twice"
    for reading in readings:
        judged = len(store.ids(StoredAssessment, reading=reading.id))
        assert judged == (reading.status == "read"), f"{reading.id} is half there"
    found = verify_store(store)
    store.close()
    assert not found.wrong, found.wrong


def _standing(place: Place) -> dict[str, str]:
    """The readings that stand and the charts they were made with."""
    store = open_store(place.settings)
    readings = store.find(StoredReading)
    store.close()
    superseded = {reading.supersedes for reading in readings}
    return {reading.id: reading.chart for reading in readings if reading.id not in superseded}


def _next_chart(place: Place) -> str:
    """The chart on which no reading stands; of both, the first."""
    store = open_store(place.settings)
    charts = store.ids(StoredChart)
    store.close()
    used = set(_standing(place).values())
    return next((chart for chart in charts if chart not in used), charts[0])


def _backup(place: Place) -> tuple[str, ...]:
    return ("storage", "backup", str(place.folder / "backup"))


def _backed_up(place: Place) -> Checkpoint | None:
    path = place.folder / "backup" / RECORDS
    if not path.exists():
        return None
    with open_archive(path) as archive:
        return archive.manifest.head


def _head(place: Place) -> Checkpoint:
    store = open_store(place.settings)
    head = store.head()
    store.close()
    return head


def _check_restored(place: Place, head: Checkpoint) -> None:
    with tempfile.TemporaryDirectory() as folder:
        new = Place(Path(folder))
        restore(place.folder / "backup", new.settings, lambda items, _: items)
        store = open_store(new.settings)
        found = verify_store(store, head)
        store.close()
        assert (found.wrong, found.notes, found.head) == ("", (), head), found


def with_readings(folder: Path, chart: Path) -> Place:
    """A store with the chart, another of the same batch, and a few readings on the newer one."""
    place, first = prepared(folder, chart), load_chart(chart)
    later = msgspec.structs.replace(first.conditions, made="2100-01-01T00:00:00Z")
    save_chart(msgspec.structs.replace(first, conditions=later), folder / "later.json")
    place.run("chart", "register", str(folder / "later.json"))
    place.run("readings", "take", *(str(SAMPLES / name) for name in PHOTOS), "--batch", BATCH)
    return place


def main() -> None:
    """The whole soak."""
    with begun(500) as asked:
        upkeep = Upkeep(with_readings(asked.work / "origin", asked.chart), asked.rng)
        upkeep.rounds(asked.count, asked.work)
    print(f"{asked.count} kills, nothing lost: " + "; ".join(f"{what}: {n}" for what, n in sorted(upkeep.met.items())))


if __name__ == "__main__":
    main()
