"""Configuration of the server, and its safety checks."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path

from shared.errors import FileError, InputError

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True, slots=True, kw_only=True)
class ServerConfig:
    """Address and port; ``cert`` and ``key``: PEM files for TLS; ``proxy``: the address of a trusted proxy.

    ``names``: allowed Host headers, in addition to the address itself. ``demonstration``: every page states that its
    data are fictitious; only localhost may reach the server.
    """

    host: str = "127.0.0.1"
    port: int = 8411
    cert: Path | None = None
    key: Path | None = None
    proxy: str | None = None
    names: tuple[str, ...] = ()
    demonstration: bool = False

    @property
    def loopback(self) -> bool:
        """Whether the server listens on localhost only."""
        return self.host == "localhost" or ipaddress.ip_address(self.host).is_loopback

    @property
    def only_secure(self) -> bool:
        """Whether requests without TLS, here or at the proxy, are rejected."""
        return self.cert is not None or self.proxy is not None

    @property
    def hosts(self) -> tuple[str, ...]:
        """Allowed Host headers; empty: any. Named hosts protect against DNS rebinding."""
        if self.names:
            return (*self.names, *LOOPBACK_NAMES)
        return LOOPBACK_NAMES if self.loopback and self.proxy is None else ()

    @property
    def url(self) -> str:
        """Address of the home page; behind a proxy that of the proxy, if its name is known."""
        if self.proxy is not None and self.names:
            return f"https://{self.names[0]}/"
        name = self.names[0] if self.names else f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if self.cert else 'http'}://{name}:{self.port}/"


def check(serving: ServerConfig, *, someone_can_sign_in: bool) -> None:
    """Raise InputError if the server would be reachable by others before it is safe."""
    _check_addresses(serving)
    _check_tls(serving)
    if serving.demonstration and (not serving.loopback or serving.proxy or serving.names):
        raise InputError("the demonstration is for this machine only", where="--demo", found="--host, --trusted-proxy "
                         "or --name", remedy="start it without these options, or serve a store of your own")
    if serving.loopback:
        return
    if not serving.only_secure:
        raise InputError("other machines would reach the server without encryption", where="--host", found=serving.host,
                         allowed="127.0.0.1, or with --tls-cert and --tls-key, or with --trusted-proxy")
    if not someone_can_sign_in:
        raise InputError("no account can sign in yet: the first visitor could take over the server", where="--host",
                         found=serving.host,
                         remedy="start it without --host, create the first account on this machine, then restart it")


def _check_addresses(serving: ServerConfig) -> None:
    given = {"--host": serving.host, "--trusted-proxy": serving.proxy}
    for option, address in given.items():
        if address in (None, "localhost"):
            continue
        try:
            ipaddress.ip_address(str(address))
        except ValueError as error:
            raise InputError("is not an IP address", where=option, found=str(address),
                             allowed="an IP address, such as 127.0.0.1 or 0.0.0.0") from error


def _check_tls(serving: ServerConfig) -> None:
    if (serving.cert is None) != (serving.key is None):
        raise InputError("TLS needs both files", where="--tls-cert, --tls-key", found="one of them",
                         remedy="give the certificate and its key")
    for option, path in (("--tls-cert", serving.cert), ("--tls-key", serving.key)):
        if path is not None and not path.is_file():
            raise FileError("file not found", where=option, found=str(path))
