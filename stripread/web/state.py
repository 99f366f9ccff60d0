"""State shared by all handlers: store, texts, limits, workers, metrics, tasks, thumbnails; server configuration."""

from __future__ import annotations

import ipaddress
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Final

from shared.decoders import from_msgpack
from shared.errors import FileError, InputError
from stripread.store import sign_ins
from stripread.store.models.evidence import StoredReading
from stripread.store.partial_uploads import PartialUploads
from stripread.store.settings import Settings
from stripread.store.store import Store
from stripread.web.activity import Metrics
from stripread.web.authentication import Passwords
from stripread.web.jobs import Jobs
from stripread.web.refusals import AnonymousRequests, FailureCounter, Uploads
from stripread.web.static_files import Messages, load_messages
from stripread.web.worker import Workers
from stripread.web.worker_process import PhotoThumbnails, views

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


def check_config(serving: ServerConfig, *, someone_can_sign_in: bool) -> None:
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


#: How many photographs' views are remembered; each is about a third of a megabyte.
_REMEMBERED: Final = 60


class ThumbnailCache:
    """The views of readings' photographs."""

    def __init__(self, store: Store, workers: Workers) -> None:
        self._store = store
        self._workers = workers
        self._lock = Lock()
        self._known: OrderedDict[str, PhotoThumbnails] = OrderedDict()

    def of(self, stored: StoredReading) -> PhotoThumbnails:
        """The views of a reading. Raises InputError where the photograph is gone or can no longer be decoded."""
        with self._lock:
            if stored.id in self._known:
                self._known.move_to_end(stored.id)
                return self._known[stored.id]
        made = self._made(stored)
        with self._lock:
            self._known[stored.id] = made
            while len(self._known) > _REMEMBERED:
                self._known.popitem(last=False)
        return made

    def _made(self, stored: StoredReading) -> PhotoThumbnails:
        pads = {pad.analyte: pad.outline_px for pad in stored.reading.pads}
        return from_msgpack(
            self._workers.do(views, data=self._store.photographs.get(stored.photograph), pads=pads),
            PhotoThumbnails,
        )


#: Letters and digits that cannot be confused on a terminal.
_CLEAR = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"


@dataclass(slots=True, kw_only=True)
class AppState:
    """One running server. ``settings``: those of the records.

    ``code``: what proves that the first person sits at the server's terminal; "" once somebody can sign in.
    """

    store: Store
    settings: Settings
    workers: Workers
    serving: ServerConfig = field(default_factory=ServerConfig)
    messages: Messages = field(default_factory=load_messages)
    passwords: Passwords = field(default_factory=Passwords)
    uploads: Uploads = field(default_factory=Uploads)
    anonymous: AnonymousRequests = field(default_factory=AnonymousRequests)
    metrics: Metrics = field(default_factory=Metrics)
    code: str = ""
    gallery: ThumbnailCache = field(init=False)
    partials: PartialUploads = field(init=False)
    failures: FailureCounter = field(init=False)
    jobs: Jobs = field(init=False)

    def __post_init__(self) -> None:
        self.gallery = ThumbnailCache(self.store, self.workers)
        self.partials = PartialUploads(self.store)
        self.failures = FailureCounter(self.store)
        self.jobs = Jobs(self.store)
        if not sign_ins.anyone(self.store):
            self.code = _new_code()
            sign_ins.add_setup_code(self.store, bare_code(self.code))


def bare_code(code: str) -> str:
    """Return a setup code without spaces and hyphens, in capital letters."""
    return "".join(c for c in code.upper() if c.isalnum())


def _new_code() -> str:
    """Return three groups of four characters: 60 bits, with limited attempts."""
    return "-".join("".join(secrets.choice(_CLEAR) for _ in range(4)) for _ in range(3))
