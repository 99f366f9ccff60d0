"""Where the server listens, and what must be so before it does."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path

from shared.errors import FileError, InputError

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True, slots=True, kw_only=True)
class ServerConfig:
    """Address and port; ``cert`` and ``key``: PEM files for TLS; ``proxy``: the address whose headers are believed.

    ``names``: host names under which it may be asked for, beside the address itself.
    """

    host: str = "127.0.0.1"
    port: int = 8411
    cert: Path | None = None
    key: Path | None = None
    proxy: str | None = None
    names: tuple[str, ...] = ()

    @property
    def loopback(self) -> bool:
        """Whether only this machine reaches it."""
        return self.host == "localhost" or ipaddress.ip_address(self.host).is_loopback

    @property
    def only_secure(self) -> bool:
        """Whether requests that did not come over TLS, here or at the proxy, are refused."""
        return self.cert is not None or self.proxy is not None

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names a request may ask for; empty: any. Named ones keep other sites' names from pointing here."""
        if self.names:
            return (*self.names, *LOOPBACK_NAMES)
        return LOOPBACK_NAMES if self.loopback and self.proxy is None else ()

    @property
    def url(self) -> str:
        """Where a person opens it."""
        name = self.names[0] if self.names else f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if self.cert else 'http'}://{name}:{self.port}/"


def check(serving: ServerConfig, *, someone_can_sign_in: bool) -> None:
    """Raises InputError where it would be reached by others before it is safe to be."""
    _check_addresses(serving)
    _check_tls(serving)
    if serving.loopback:
        return
    if not serving.only_secure:
        raise InputError("other machines would reach it without encryption", where="--host", found=serving.host,
                         allowed="127.0.0.1, or with --tls-cert and --tls-key, or with --trusted-proxy")
    if not someone_can_sign_in:
        raise InputError("nobody can sign in yet, so that whoever comes first would own it", where="--host",
                         found=serving.host,
                         remedy="start it once without --host, make the first account on this machine, then again")


def _check_addresses(serving: ServerConfig) -> None:
    given = {"--host": serving.host, "--trusted-proxy": serving.proxy}
    for option, address in given.items():
        if address in (None, "localhost"):
            continue
        try:
            ipaddress.ip_address(str(address))
        except ValueError as error:
            raise InputError("is no address", where=option, found=str(address),
                             allowed="an IP address, such as 127.0.0.1 or 0.0.0.0") from error


def _check_tls(serving: ServerConfig) -> None:
    if (serving.cert is None) != (serving.key is None):
        raise InputError("TLS needs both files", where="--tls-cert, --tls-key", found="one of them",
                         remedy="give the certificate and its key")
    for option, path in (("--tls-cert", serving.cert), ("--tls-key", serving.key)):
        if path is not None and not path.is_file():
            raise FileError("there is no such file", where=option, found=str(path))
