"""Servers for real, each started once and only where a test asks for it: PostgreSQL, and one that speaks S3."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest

from tests.services import Postgresql, find_postgresql, missing


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

    for name, value in {"ACCESS_KEY_ID": "testing", "SECRET_ACCESS_KEY": "testing", "REGION": "us-east-1",
                        "ENDPOINT_URL": s3_endpoint, "ALLOW_HTTP": "true"}.items():
        monkeypatch.setenv(f"AWS_{name}", value)
    name = f"photographs-{uuid4().hex}"
    httpx.put(f"{s3_endpoint}/{name}").raise_for_status()
    return f"s3://{name}/kept"


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database of each sort in turn."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.sqlite'}"
    return str(request.getfixturevalue("postgresql_url"))
