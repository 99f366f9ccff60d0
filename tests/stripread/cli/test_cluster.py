"""Commands on a Dask cluster: a scheduler and two workers run for real on loopback, over TLS."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import distributed
import msgspec
import pytest

from calibration.chart import Chart
from calibration.standards import read_standards
from shared.card import default_card
from shared.errors import InputError
from shared.profile import PrintProfile
from shared.strip import default_strip
from stripread.exchange import jsonl
from stripread.exchange.import_records import ParsedRecord
from stripread.exchange.jsonl import Originals, import_photographs
from stripread.intake.process import process_photos
from stripread.intake.receive import SampleInfo, receive, receive_photo
from stripread.reading import cluster_client, cluster_executor
from stripread.reading.calibrate import Material, ObservedStandard, observe_standards, standard_of
from stripread.reading.cluster import Cluster, ClusterError
from stripread.reading.cluster_executor import ClusterExecutor
from stripread.reading.executors import SERIAL, Given, Job, Result
from stripread.reading.photo_file import open_bucket, open_photo
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph
from stripread.store.settings import Settings
from stripread.store.store import open_store
from tests.dask_cluster import DaskCluster, dask_cluster
from tests.loops import some
from tests.services import free_port, s3_variables
from tests.stripread.cli.inside import stripread
from tests.stripread.intake.phone_photos import desk
from tests.stripread.store.histories import ACCOUNT, NOW, empty_store, photograph_of
from tests.stripread.web.certificates import self_signed

_SECRET = "ein-Geheimnis"


@pytest.fixture(scope="module")
def dask(tmp_path_factory: pytest.TempPathFactory, s3_endpoint: str) -> Iterator[DaskCluster]:
    with dask_cluster(tmp_path_factory.mktemp("dask"), 2, s3_variables(s3_endpoint)) as running:
        yield running


@pytest.fixture
def settings_file(dask: DaskCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings file with the certificates of the cluster, in effect."""
    file, cluster = tmp_path / "stripread.toml", dask.cluster
    file.write_text(f'database = "sqlite:///{tmp_path / "records.sqlite"}"\n'
                    f'photographs = "{tmp_path / "photographs"}"\naccount = "{ACCOUNT}"\n[cluster]\n'
                    f'ca = "{cluster.ca}"\ncertificate = "{cluster.certificate}"\nkey = "{cluster.key}"\n')
    monkeypatch.setenv("STRIPREAD_SETTINGS", str(file))
    return file


def times(given: int, job: int) -> int:
    return given * job


def slow(given: float, job: int) -> tuple[int, int]:
    time.sleep(given)
    return job, os.getpid()


def fail(given: str, job: str) -> NoReturn:
    raise InputError("always fails", where=job, found=given)


def decoder_of(_given: None, photo: Path) -> tuple[int, int | None]:
    """The process of a worker, and the one in which it decodes."""
    from stripread.reading import decoder

    open_photo(photo).decode()
    here = decoder._here[0]
    return os.getpid(), None if here is None else here.process


@pytest.mark.usefixtures("settings_file")
def test_read_prints_the_same_bytes(dask: DaskCluster, samples: Path, sample_chart_file: Path,
                                    monkeypatch: pytest.MonkeyPatch) -> None:
    """Also those without a result, from a relative path, and with the exit status."""
    monkeypatch.chdir(samples)
    command = ("read", "faults", "sites/mill-yard.jpg", "--json", "--chart", sample_chart_file, "--profile",
               "card-run-007.txt")
    here, there = stripread(*command, "--processes", "1"), stripread(*command, "--cluster", dask.url)
    assert here.returncode == 1
    assert len(here.stdout.splitlines()) == 8
    assert there == here


def in_bucket(url: str, photos: Sequence[Path]) -> None:
    """Put photographs, and something else, below a prefix."""
    import obstore

    for photo in photos:
        obstore.put(open_bucket(url), photo.name, photo.read_bytes())
    obstore.put(open_bucket(url), "notes.txt", b"not a photograph")


@pytest.mark.usefixtures("settings_file")
def test_read_a_bucket_and_a_list(dask: DaskCluster, samples: Path, sample_chart_file: Path, bucket_url: str,
                                  tmp_path: Path) -> None:
    """Workers open the objects; the lines are those of the files. What is missing is reported."""
    photos = sorted((samples / "sites").glob("[l-n]*.jpg"))
    in_bucket(bucket_url, photos)
    materials = ("--json", "--chart", sample_chart_file, "--profile", samples / "card-run-007.txt")
    here = stripread("read", *photos, *materials, "--processes", "1")
    assert len(here.stdout.splitlines()) == 3
    assert stripread("read", bucket_url, *materials, "--cluster", dask.url) == here
    file = tmp_path / "photographs.txt"
    file.write_text(f"# evening\n{photos[0]}\n\n{bucket_url}/{photos[1].name}\n{bucket_url}/missing.jpg\n")
    listed = stripread("read", "--from", file, *materials, "--cluster", dask.url)
    assert listed.stdout.splitlines() == here.stdout.splitlines()[:2]
    assert listed.returncode == 2
    assert f"{bucket_url}/missing.jpg: cannot be read" in listed.stderr


def digits(seen: ObservedStandard) -> list[bytes]:
    """Everything that enters a fit, and the pictures of the report."""
    standards = [o for analyte in seen.pads if (o := standard_of(seen, analyte)) is not None]
    assert standards
    return [array.tobytes() for o in standards for array in (
        o.pad.signal, o.pad.pixel, o.pad.field, o.pad.response.mean, o.pad.response.mismatch, seen.pads[o.pad.analyte])]


def test_standards_are_observed_alike(dask: DaskCluster, samples: Path, sample_profile: PrintProfile) -> None:
    """What a chart is fitted to, to the last digit."""
    material = Material(default_card(), default_strip(), sample_profile, samples / "standards" / "standards.csv", "A")
    rows = read_standards(material.table, {p.analyte: p.unit for p in material.strip.pads})[:3]
    (here, _), (there, _) = (observe_standards(rows, material, executor=executor)
                             for executor in (SERIAL, ClusterExecutor(dask.cluster)))
    assert len(here) == 3
    assert [digits(seen) for seen in there] == [digits(seen) for seen in here]


def test_import_and_verify(dask: DaskCluster, samples: Path, tmp_path: Path, sample_chart: Chart,
                           monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers copy the originals and read them back; a damaged one is reported as it is here."""
    store = desk(tmp_path, samples, sample_chart)
    photos = [receive_photo(store, ACCOUNT, open_photo(path), SampleInfo(point="tap", batch="samples"))
              for path in sorted((samples / "sites").glob("*.jpg"))[:3]]
    records = [ParsedRecord(photo, "records.jsonl") for photo in photos]
    there = ClusterExecutor(dask.cluster)
    other = open_store(Settings(database=f"sqlite:///{tmp_path / 'other.sqlite'}", photographs=str(tmp_path / "other")))
    monkeypatch.setattr(jsonl, "_AT_ONCE", 2)
    assert import_photographs(other, records, Originals(samples / "sites", there)) == 3
    assert sorted(other.photographs.names()) == sorted(photo.id for photo in photos)
    assert verify_store(store, executor=there) == verify_store(store)
    damaged = next(Path(store.photographs.place).glob(f"*/{photos[1].id}"))
    damaged.write_bytes(b"other bytes")
    assert "the photograph is damaged" in verify_store(store, executor=there).wrong
    assert verify_store(store, executor=there) == verify_store(store)
    for opened in (store, other):
        opened.close()


@contextmanager
def worker_killed(dask: DaskCluster) -> Iterator[None]:
    """Kill the newest worker as the first tasks are sent to the cluster, and start another one afterwards."""
    victim, send = dask.workers[-1], cluster_executor._Run._send

    def killing(run: cluster_executor._Run, jobs: Iterator[Any], tasks: int) -> Any:
        futures = send(run, jobs, tasks)
        victim.kill()
        victim.wait()
        return futures

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cluster_executor._Run, "_send", killing)
        yield
    assert victim.poll() == -signal.SIGKILL, "the command was too short"
    dask.workers.remove(victim)
    dask.add_worker()
    dask.wait_for_workers()


def test_commands_go_on_after_a_workers_kill(dask: DaskCluster, settings_file: Path, samples: Path, tmp_path: Path,
                                             sample_chart: Chart) -> None:
    """Readings made here are reproduced bit by bit there; the scheduler is that of the option or of the settings."""
    store = desk(tmp_path, samples, sample_chart)
    photographs = [receive_photo(store, ACCOUNT, open_photo(samples / "sites" / f"{name}.jpg"),
                                 SampleInfo(point="tap", batch="samples"))
                   for name in ("mill-yard", "salt-quay", "old-cellar")]
    list(process_photos(store, ACCOUNT, photographs))
    store.close()
    there = ("--cluster", dask.url)
    for command, option in (
        (("readings", "re-evaluate", "--reproduce", "--json"), ("--processes", "1")), (("audit", "verify"), ())):
        here = stripread(*command, *option)
        assert here.returncode == 0
        with worker_killed(dask):
            assert stripread(*command, *there) == here
    originals, records, plain = tmp_path / "originals", tmp_path / "records.jsonl", settings_file.read_text()
    assert stripread("storage", "export", "-o", records, "--photographs", originals).returncode == 0
    settings_file.write_text(plain.replace("records.sqlite", "other.sqlite").replace(
        str(tmp_path / "photographs"), str(tmp_path / "copies")) + f'scheduler = "{dask.url}"\n')
    empty_store(tmp_path / "made").close()
    (tmp_path / "made" / "records.sqlite").rename(tmp_path / "other.sqlite")
    with worker_killed(dask):
        done = stripread("storage", "import", records, "--photographs", originals)
    assert done.returncode == 0, done.stderr
    again, verified = stripread("storage", "import", records, "--photographs", originals), stripread("audit", "verify")
    assert (again.returncode, verified.returncode) == (0, 0)
    assert "3 photographs" in verified.stdout


def test_a_killed_worker_loses_and_duplicates_nothing(dask: DaskCluster) -> None:
    found, victim = [], dask.workers[0]
    for job, worker in ClusterExecutor(dask.cluster).map(slow, 0.02, range(60)):
        found.append((job, worker))
        if worker == victim.pid and victim.poll() is None:
            os.kill(victim.pid, signal.SIGKILL)
            victim.wait()
    assert [job for job, _ in found] == [*range(60)]
    assert {worker for _, worker in found[-10:]} == {dask.workers[1].pid}
    dask.add_worker()
    dask.wait_for_workers()


def test_few_jobs_are_drawn_ahead(dask: DaskCluster) -> None:
    """Quick jobs are sent many in a task, and never more than tasks of two threads contain."""
    drawn = 0

    def jobs() -> Iterator[int]:
        nonlocal drawn
        for job in range(1, 20_001):
            drawn = job
            yield job

    ahead = []
    for got, result in enumerate(some(ClusterExecutor(dask.cluster).map(times, 3, jobs())), start=1):
        assert result == 3 * got
        ahead.append(drawn - got)
    assert ahead[0] < 10
    most = cluster_executor._MOST_JOBS * cluster_executor._AHEAD * len(dask.workers)
    assert 100 < max(ahead) <= most


def test_logs_do_not_show_what_a_job_contains(dask: DaskCluster) -> None:
    """The error of a job arrives as itself."""
    with pytest.raises(InputError, match="always fails"):
        list(ClusterExecutor(dask.cluster).map(fail, _SECRET, [f"{_SECRET}-{n}" for n in range(3)]))
    assert "Receive client connection" in dask.logs()
    assert _SECRET not in dask.logs()


def test_workers_decode_in_a_bounded_child(dask: DaskCluster, samples: Path) -> None:
    photos = [(samples / "sites" / "mill-yard.jpg").absolute()] * 2
    for worker, decoder in some(ClusterExecutor(dask.cluster).map(decoder_of, None, photos)):
        assert worker in {process.pid for process in dask.workers}
        assert decoder not in (None, worker)


def test_another_version_is_named(dask: DaskCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_executor, "versions", lambda: {"numpy": "1.0"})
    with pytest.raises(ClusterError, match=r"found numpy \d+\.\d+\.\d+ instead of 1\.0 on \S+;.*install the same"):
        list(ClusterExecutor(dask.cluster).map(times, 2, [1]))


def test_a_member_with_another_stripread_is_named(dask: DaskCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_client, "__version__", "0.0.9")
    with pytest.raises(ClusterError, match=r"found stripread \S+ on the scheduler, stripread \S+ on worker tls://\S+, "
                                           r"stripread .*; allowed: stripread 0\.0\.9; install stripread.*==0\.0\.9"):
        list(ClusterExecutor(dask.cluster).map(times, 2, [1]))


def test_a_worker_without_stripread_is_named(dask: DaskCluster, tmp_path: Path) -> None:
    """Such a worker ends without a message when it receives a task."""
    for entry in some([*Path(distributed.__file__).parents[1].iterdir()]):
        if entry.suffix != ".pth" and "stripread" not in entry.name:
            (tmp_path / entry.name).symlink_to(entry)
    bare = dask.add_worker(tmp_path)
    dask.wait_for_workers()
    try:
        with pytest.raises(ClusterError, match=r"found no stripread on worker tls://127\.0\.0\.1:\d+; allowed"):
            list(ClusterExecutor(dask.cluster).map(times, 2, [1]))
    finally:
        dask.workers.remove(bare)
        bare.kill()
        bare.wait()


def test_a_client_without_its_certificate_is_refused(dask: DaskCluster) -> None:
    """By our message before a connection, and by the scheduler where a client would try."""
    with pytest.raises(ClusterError, match=r"TLS needs client certificates.*found no ca, certificate, key"):
        list(ClusterExecutor(Cluster(scheduler=dask.url)).map(times, 2, [1]))
    plain = dask.url.replace("tls", "tcp")
    with pytest.raises(ClusterError, match="no Dask scheduler of this scheme answers"):
        list(ClusterExecutor(Cluster(scheduler=plain)).map(times, 2, [1]))


def refused(cluster: Cluster) -> str:
    """The message for a cluster that cannot be used."""
    with pytest.raises(ClusterError) as caught:
        list(ClusterExecutor(cluster).map(times, 2, [1]))
    return caught.value.message


def test_what_is_wrong_with_a_connection_is_named(dask: DaskCluster, tmp_path: Path) -> None:
    good = dask.cluster
    certificate, key = map(str, self_signed(tmp_path))
    (tmp_path / "notes.txt").write_text("not a certificate")
    free = f"tls://127.0.0.1:{free_port()}"
    for change, message in some((
            ({"scheduler": free}, "the scheduler cannot be reached; found Connection refused; check the address"),
            ({"certificate": certificate, "key": key}, "the scheduler rejects this client's certificate"),
            ({"ca": certificate}, "the scheduler's certificate is invalid; found self-signed certificate"),
            ({"key": key}, "the TLS files cannot be used; found SSLError: [X509: KEY_VALUES_MISMATCH]"),
            ({"ca": str(tmp_path / "notes.txt")}, "the TLS files cannot be used; found SSLError: [X509: NO_CERT"))):
        assert message in refused(msgspec.structs.replace(good, **change))


@dataclass(frozen=True)
class Failing:
    """The cluster, one of whose workers is killed while the jobs before the fifth are with the workers."""

    dask: DaskCluster
    victim: subprocess.Popen[bytes]

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        return ClusterExecutor(self.dask.cluster).map(work, given, self._killing(jobs))

    def _killing(self, jobs: Iterable[Job]) -> Iterator[Job]:
        for number, job in enumerate(jobs):
            if number == 4:
                self.victim.kill()
                self.victim.wait()
            yield job


def test_a_worker_killed_during_import_and_verification(dask: DaskCluster, tmp_path: Path) -> None:
    """Every photograph is copied once, and the report is the one without the cluster."""
    store = empty_store(tmp_path / "here")
    for name in map(str, range(12)):
        receive(store, photograph_of(name, NOW, point=None, batch=None), name.encode())
    photographs = store.find(Photograph)
    folder, copies = Path(store.photographs.place), tmp_path / "copies"
    other = open_store(Settings(database=f"sqlite:///{tmp_path / 'other.sqlite'}", photographs=str(copies)))
    records, victim = [ParsedRecord(photo, "records.jsonl") for photo in photographs], dask.workers[-1]
    assert import_photographs(other, records, Originals(folder, Failing(dask, victim))) == 12
    assert {p.name: p.read_bytes() for p in copies.rglob("*") if p.is_file()} == {
        p.id: p.name.encode() for p in photographs}
    dask.add_worker()
    dask.wait_for_workers()
    next(folder.glob(f"*/{photographs[-1].id}")).write_bytes(b"damaged")
    found = verify_store(store, executor=Failing(dask, dask.workers[-1]))
    assert "the photograph is damaged" in found.wrong
    assert found == verify_store(store)
    assert dask.workers[-1].poll() == victim.poll() == -signal.SIGKILL
    for opened in (store, other):
        opened.close()


@pytest.mark.parametrize("address", ["tcp://192.0.2.7:8786", "tcp://scheduler.example:8786", "tcp://0.0.0.0:8786",
                                     "tcp://[2001:db8::7]:8786"])
def test_without_tls_only_loopback(address: str) -> None:
    """Addresses of RFC 5737, 2606 and 3849, which are for documentation."""
    with pytest.raises(ClusterError, match="could be used by anyone on the network"):
        Cluster(scheduler=address).check()


@pytest.mark.parametrize("address", ["192.0.2.7:8786", "http://127.0.0.1:8786", "tls://:8786", "tls://a", "tls://a:b"])
def test_what_is_not_an_address(address: str) -> None:
    with pytest.raises(ClusterError, match="is not the address of a Dask scheduler"):
        Cluster(scheduler=address).check()


def test_members_of_a_plain_cluster_are_on_loopback() -> None:
    """A scheduler reached on loopback may have workers elsewhere."""
    with pytest.raises(ClusterError, match=r"found tcp://192\.0\.2\.7:4000"):
        Cluster(scheduler="tcp://127.0.0.1:8786").check_members(["tcp://127.0.0.1:8786", "tcp://192.0.2.7:4000"])
