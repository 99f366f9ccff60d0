"""Servers that tests start for themselves, and what happens where their programs are not installed."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
from pathlib import Path
from typing import NoReturn

import pytest

#: Where Debian's package puts the programs, the newest version last.
_DEBIAN = Path("/usr/lib/postgresql")
#: Speed before safety: the data lives as long as the tests.
_OPTIONS = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "unix_socket_directories=", "jit=off")


def missing(what: str) -> NoReturn:
    """Skip for want of a service, or fail where all are required."""
    if os.environ.get("REQUIRE_SERVICES"):
        pytest.fail(what)
    pytest.skip(what)


def find_postgresql() -> Path | None:
    """The folder of initdb and pg_ctl, or None."""
    versions = sorted(_DEBIAN.glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    found = shutil.which("initdb") or (versions[-1] if versions else None)
    return None if found is None else Path(found).resolve().parent


def free_port() -> int:
    """A free port of loopback."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


def s3_variables(endpoint: str) -> dict[str, str]:
    """The variables by which clients find an S3 server on loopback."""
    return {"AWS_ACCESS_KEY_ID": "testing", "AWS_SECRET_ACCESS_KEY": "testing", "AWS_REGION": "us-east-1",
            "AWS_ENDPOINT_URL": endpoint, "AWS_ALLOW_HTTP": "true"}


class Postgresql:
    """A server of its own in a folder; it does not run as root, so root hands the folder to another user."""

    def __init__(self, binaries: Path, folder: Path) -> None:
        self.binaries, self.folder, self.port = binaries, folder, free_port()
        self.user = pwd.getpwuid(os.geteuid() or _unprivileged())

    def start(self) -> None:
        """Make the cluster and wait until it answers."""
        os.chown(self.folder, self.user.pw_uid, self.user.pw_gid)
        self._run("initdb", "--auth=trust", "--username=keeper", "--encoding=UTF8", "--locale=C.UTF-8", "--no-sync")
        options = " ".join(f"-c {option}" for option in _OPTIONS)
        self._run("pg_ctl", "start", "--wait", "--log", str(self.folder / "log"),
                  "--options", f"-h 127.0.0.1 -p {self.port} {options}")

    def stop(self) -> None:
        """End it at once; nothing there is worth keeping."""
        if (self.folder / "data" / "postmaster.pid").exists():
            self._run("pg_ctl", "stop", "--mode=immediate")

    def create(self, name: str, copy_of: str = "template1") -> str:
        """The URL of a new database: empty, or a copy of one without connections."""
        self._ask(f"CREATE DATABASE {name} TEMPLATE {copy_of}")
        return self.url(name)

    def drop(self, name: str) -> None:
        """Remove a database, even if connections to it are open."""
        self._ask(f"DROP DATABASE {name} WITH (FORCE)")

    def url(self, name: str) -> str:
        """As the setting `database` has it."""
        return f"postgresql://keeper@127.0.0.1:{self.port}/{name}"

    def _ask(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(statement.encode())

    def _run(self, program: str, *args: str) -> None:
        command = [str(self.binaries / program), "--pgdata", str(self.folder / "data"), *args]
        done = subprocess.run(command, cwd=self.folder, user=self.user.pw_uid, group=self.user.pw_gid, check=False,
                              stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        if done.returncode:
            raise RuntimeError(f"{program}: {done.stdout}")


def _unprivileged() -> int:
    """The user whom Debian's package makes, or nobody."""
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name).pw_uid
        except KeyError:
            continue
    raise RuntimeError("no user but root on this machine")
