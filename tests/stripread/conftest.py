"""Servers for real, each started once and only where a test asks for it: PostgreSQL, and one that speaks S3."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest

from assess import Assessment, AssessmentSetup, Equipment, assess, load_limits, sample_from_typed
from assess.equipment import load_equipment
from calibration.chart import Chart
from stripread.store.integrity import verify_store
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.services import Postgresql, find_postgresql, missing, s3_variables
from tests.stripread.intake.phone_photos import desk
from tests.stripread.monitoring.year import a_year
from tests.stripread.store.histories import NOW, commands_in, empty_store, with_site
from tests.stripread.store.world import Material, World, populate, the_world


@pytest.fixture(scope="session")
def espresso() -> Equipment:
    """A generic machine."""
    return load_equipment("two-boiler-espresso")


@pytest.fixture(scope="session")
def assessment(espresso: Equipment) -> Assessment:
    """An invented water judged for it."""
    sample = sample_from_typed({"hardness": "90 ± 6 mg/L CaCO3", "alkalinity": "70 ± 5 mg/L CaCO3", "ph": "7.4 ± 0.2"})
    return assess(sample, AssessmentSetup(equipment=espresso, limits=load_limits(), units={}, software="test"))


@pytest.fixture(scope="session")
def material(assessment: Assessment, sample_chart: Chart) -> Material:
    """What is too costly to make for each test."""
    return Material(chart=sample_chart, assessment=assessment)


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    """An empty database of each sort in turn, and a folder for photographs."""
    return Settings(database=database_url, photographs=str(tmp_path / "photographs"))


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    """Empty, with a clock that does not advance."""
    opened = open_store(settings, clock=lambda: NOW)
    yield opened
    opened.close()


@pytest.fixture
def mill(tmp_path: Path) -> Iterator[Store]:
    """One account, and a site with two sampling points: "tap" and "behind" the filter."""
    opened = with_site(empty_store(tmp_path))
    yield opened
    opened.close()


@pytest.fixture
def sample_store(tmp_path: Path, samples: Path, sample_chart: Chart) -> Iterator[Store]:
    """The same with chart and card profile of the samples, so that photographs can be evaluated."""
    opened = desk(tmp_path, samples, sample_chart)
    yield opened
    opened.close()


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty home of commands, whose store is or will be in it."""
    commands_in(tmp_path, monkeypatch)
    return tmp_path


@pytest.fixture(scope="session")
def world_file(material: Material, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite file with one record of every kind, to be copied."""
    path = tmp_path_factory.mktemp("world") / "records.sqlite"
    _populate(f"sqlite:///{path}", path.parent / "photographs", material)
    return path


@pytest.fixture(scope="session")
def world_database(postgresql: Postgresql, material: Material, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The name of a PostgreSQL database with the same, to be copied."""
    _populate(postgresql.create("world"), tmp_path_factory.mktemp("world") / "photographs", material)
    return "world"


@pytest.fixture(params=["sqlite", "postgresql"])
def world_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A copy of one of them."""
    if request.param == "sqlite":
        yield f"sqlite:///{shutil.copy(request.getfixturevalue('world_file'), tmp_path / 'world.sqlite')}"
        return
    server, name = request.getfixturevalue("postgresql"), f"world_{uuid4().hex}"
    yield server.create(name, copy_of=request.getfixturevalue("world_database"))
    server.drop(name)


@pytest.fixture
def world(world_url: str, material: Material, tmp_path: Path) -> Iterator[World]:
    """A store in which there is one record of every kind."""
    with the_world(world_url, tmp_path, material) as made:
        yield made


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def shared(request: pytest.FixtureRequest, material: Material, tmp_path_factory: pytest.TempPathFactory
           ) -> Iterator[Store]:
    """One world for the tests of a module, which leave it as they found it."""
    folder = tmp_path_factory.mktemp("shared")
    if request.param == "sqlite":
        url = f"sqlite:///{shutil.copy(request.getfixturevalue('world_file'), folder / 'records.sqlite')}"
    else:
        request.getfixturevalue("world_database")
        url = request.getfixturevalue("postgresql").create(f"shared_{uuid4().hex}", copy_of="world")
    with the_world(url, folder, material) as world:
        yield world.store
        assert verify_store(world.store).wrong == ""


def _populate(database: str, photographs: Path, material: Material) -> None:
    store = open_store(Settings(database=database, photographs=str(photographs)), clock=lambda: NOW)
    populate(store, material)
    store.close()


@pytest.fixture(scope="session")
def history(sample_chart: Chart, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """An invented year at a tap and behind a filter; not to be changed."""
    store = a_year(tmp_path_factory.mktemp("history"), sample_chart)
    yield store
    store.close()


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Postgresql]:
    """A private server of Debian's package on a free port; without one the test skips, or fails where required."""
    binaries = find_postgresql()
    if binaries is None:
        missing("no PostgreSQL server on this machine; install the package postgresql to run this test")
    folder = Path(tempfile.mkdtemp(prefix="postgresql-"))
    server = Postgresql(binaries, folder)
    try:
        server.start()
        yield server
    finally:
        server.stop()
        shutil.rmtree(folder)


@pytest.fixture
def postgresql_url(postgresql: Postgresql) -> Iterator[str]:
    """An empty database of its own."""
    name = f"records_{uuid4().hex}"
    yield postgresql.create(name)
    postgresql.drop(name)


@pytest.fixture(scope="session")
def s3_endpoint() -> Iterator[str]:
    """The URL of a server that speaks S3, on loopback."""
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    yield f"http://{host}:{port}"
    server.stop()


@pytest.fixture
def bucket_url(s3_endpoint: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """An empty bucket with a prefix, and the variables by which its client finds it."""
    import httpx

    for name, value in s3_variables(s3_endpoint).items():
        monkeypatch.setenv(name, value)
    name = f"photographs-{uuid4().hex}"
    httpx.put(f"{s3_endpoint}/{name}").raise_for_status()
    return f"s3://{name}/kept"


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database of each sort in turn."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.sqlite'}"
    return str(request.getfixturevalue("postgresql_url"))
