"""Kill -9 while readings are re-evaluated and backed up: `python -m tests.bench.soak_upkeep [KILLS [SEED]]`.

The default is 500 kills. Those of `readings re-evaluate --supersede` and of `storage backup` alternate; their moments
are chosen as in `tests.bench.soak`. After each kill no reading may be superseded twice or be partial, the store must
verify, and the backup must be the previous one or a complete new one that can be restored; run again, each command
must complete.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from calibration.chart import load_chart, save_chart
from stripread.store.audit_trail import Checkpoint
from stripread.store.backup.archive import open_archive
from stripread.store.backup.backup import RECORDS, restore
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.models.materials import StoredChart
from stripread.store.store import open_store
from tests.bench.forked import warm
from tests.bench.soak import BATCH, PHOTOS, SAMPLES, Place, Undisturbed, begun, counts, prepared

#: Kills in one store; then a fresh one keeps the verification short.
KILLS_A_STORE = 10
_REEVALUATE = ("readings", "re-evaluate", "--supersede", "--why", "soak", "--processes", "1")


@dataclass(slots=True)
class Upkeep:
    """Rounds of kills on copies of ``origin``, which has readings and two charts of their batch."""

    origin: Place
    rng: random.Random
    met: Counter[str] = field(default_factory=Counter)

    def rounds(self, count: int, work: Path) -> None:
        """Kill ``count`` times and check each; raise AssertionError for the first violation."""
        for number in range(-(-count // KILLS_A_STORE)):
            work.mkdir(exist_ok=True)
            place = self.origin.fresh(work / f"store-{number}")
            self._rounds_in(place, min(count, self.kills + KILLS_A_STORE))
            shutil.rmtree(place.folder)
            print(f"{self.kills} kills: {counts(self.met)}", flush=True)

    @property
    def kills(self) -> int:
        """How many commands were killed before they had ended."""
        return sum(self.met[f"{command.__name__[1:]} killed"] for command in (_reevaluate, _backup))

    def _rounds_in(self, place: Place, until: int) -> None:
        undisturbed = {command: Undisturbed.of(place, command(place)) for command in (_reevaluate, _backup)}
        rounds = {_reevaluate: self._round_of_reevaluation, _backup: self._round_of_backup}
        while self.kills < until:
            command = min(rounds, key=lambda command: self.met[f"{command.__name__[1:]} killed"])
            rounds[command](place, undisturbed[command])

    def _killed(self, place: Place, command: Callable[[Place], tuple[str, ...]], undisturbed: Undisturbed) -> None:
        ended = place.killed(command(place), undisturbed.moment(self.rng))
        self.met[f"{command.__name__[1:]} {'killed' if ended.killed else 'ended before'}"] += 1

    def _round_of_reevaluation(self, place: Place, undisturbed: Undisturbed) -> None:
        """Re-evaluate on the other chart, killed, then to its end."""
        args, chart, before = _reevaluate(place), _next_chart(place), _current(place)
        self._killed(place, _reevaluate, undisturbed)
        check(place)
        self.met["re-evaluations with some superseded"] += _current(place) != before
        place.run(*args)
        check(place)
        assert set(_current(place).values()) == {chart}, "a reading was not superseded"
        assert len(_current(place)) == len(before), "a reading was lost or duplicated"

    def _round_of_backup(self, place: Place, undisturbed: Undisturbed) -> None:
        """Back up, killed; restore the backup if there is one; then back up to the end, and restore."""
        before, now = _backed_up(place), _checkpoint(place)
        self._killed(place, _backup, undisturbed)
        found = _backed_up(place)
        assert found in (before, now), "a partial backup"
        self.met["backups already complete"] += found == now != before
        if found is not None:
            _check_restored(place, found)
        place.run(*_backup(place))
        _check_restored(place, now)


def check(place: Place) -> None:
    """Check what must be true after a kill: readings complete, superseded once at most, the store valid."""
    store = open_store(place.settings)
    readings = store.find(StoredReading)
    successors = Counter(reading.supersedes for reading in readings if reading.supersedes)
    assert all(n == 1 for n in successors.values()), "a reading was superseded twice"
    for reading in readings:
        assessments = len(store.ids(StoredAssessment, reading=reading.id))
        assert assessments == (reading.status == "measured"), f"{reading.id} is partial"
    found = verify_store(store)
    store.close()
    assert not found.wrong, found.wrong


def _reevaluate(place: Place) -> tuple[str, ...]:
    return (*_REEVALUATE, "--chart", _next_chart(place))


def _backup(place: Place) -> tuple[str, ...]:
    return ("storage", "backup", str(place.folder / "backup"))


def _current(place: Place) -> dict[str, str]:
    """Return the current readings and their charts."""
    store = open_store(place.settings)
    readings = store.find(StoredReading)
    store.close()
    superseded = {reading.supersedes for reading in readings}
    return {reading.id: reading.chart for reading in readings if reading.id not in superseded}


def _next_chart(place: Place) -> str:
    """Return the chart without current readings; if each has some, the first."""
    store = open_store(place.settings)
    charts = store.ids(StoredChart)
    store.close()
    used = set(_current(place).values())
    return next((chart for chart in charts if chart not in used), charts[0])


def _backed_up(place: Place) -> Checkpoint | None:
    path = place.folder / "backup" / RECORDS
    if not path.exists():
        return None
    with open_archive(path) as archive:
        return archive.manifest.head


def _checkpoint(place: Place) -> Checkpoint:
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
    """Return a store with the chart, another of the same batch, and a few readings on the newer one."""
    place, first = prepared(folder, chart), load_chart(chart)
    later = msgspec.structs.replace(first.conditions, made="2100-01-01T00:00:00Z")
    save_chart(msgspec.structs.replace(first, conditions=later), folder / "later.json")
    warm(("chart", "register", str(folder / "later.json")), place.environment)
    warm(("readings", "take", *(str(SAMPLES / name) for name in PHOTOS), "--batch", BATCH, "--processes", "1"),
         place.environment)
    return place


def main() -> None:
    """Run the whole soak."""
    with begun(500) as asked:
        upkeep = Upkeep(with_readings(asked.work / "origin", asked.chart), asked.rng)
        upkeep.rounds(asked.count, asked.work / "rounds")
        print(f"{asked.count} kills, nothing lost: {counts(upkeep.met)}")


if __name__ == "__main__":
    main()
