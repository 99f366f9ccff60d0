"""Address of a Dask cluster and its TLS files; a cluster that others can reach is used with client certificates only.

Anyone who reaches a Dask scheduler without TLS can run code on its workers, so an address off loopback without TLS is
an error, and so is a scheduler or worker that listens on one.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

import msgspec

from shared.errors import FileError, InputError

_ALLOWED: Final = "tls://HOST:PORT; tcp://127.0.0.1:PORT on this machine"
#: Where the address and the files come from, for messages.
_WHERE: Final = "--cluster, or setting `cluster`"


class ClusterError(InputError):
    """A cluster cannot be used, or failed."""


class Cluster(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``scheduler``: address of the Dask scheduler, None: this machine only.

    PEM files: ``ca``: the certificate authority of the cluster; ``certificate`` and ``key``: those of this client.
    """

    scheduler: str | None = None
    ca: str | None = None
    certificate: str | None = None
    key: str | None = None

    @property
    def encrypted(self) -> bool:
        """Whether the scheduler is reached by TLS."""
        return (self.scheduler or "").startswith("tls://")

    def check(self) -> None:
        """Raise InputError where the cluster cannot be used safely."""
        _check_form(self.scheduler or "")
        _check_encrypted(self.scheduler or "", "the scheduler")
        if self.encrypted:
            self._check_files()

    def check_members(self, addresses: Iterable[str]) -> None:
        """Raise ClusterError where a scheduler or worker listens off loopback without TLS."""
        for address in addresses:
            _check_encrypted(address, "a scheduler or worker of the cluster")

    def _check_files(self) -> None:
        files = {"ca": self.ca, "certificate": self.certificate, "key": self.key}
        missing = [name for name, path in files.items() if not path]
        if missing:
            raise ClusterError("TLS needs client certificates", where=_WHERE, found=f"no {', '.join(missing)}",
                               allowed="ca, certificate and key: PEM files",
                               remedy="name them under [cluster] in the settings file")
        for name, path in files.items():
            if not Path(path or "").is_file():
                raise FileError("file not found", where=f"setting `cluster.{name}`", found=str(path))


def _check_form(address: str) -> None:
    try:
        parts = urlsplit(address)
        valid = parts.scheme in ("tls", "tcp") and bool(parts.hostname) and parts.port is not None
    except ValueError:
        valid = False
    if not valid:
        raise ClusterError("is not the address of a Dask scheduler", where=_WHERE, found=address, allowed=_ALLOWED)


def _check_encrypted(address: str, party: str) -> None:
    parts = urlsplit(address)
    if parts.scheme != "tls" and not _loopback(parts.hostname or ""):
        raise ClusterError(f"{party} could be used by anyone on the network, without encryption", where=_WHERE,
                           found=address, allowed=_ALLOWED,
                           remedy="start scheduler and workers with --tls-ca-file, --tls-cert and --tls-key")


def _loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
