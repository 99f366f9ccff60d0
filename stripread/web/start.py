"""Checks that it is safe to listen, says where, and listens until it is told to end."""

from __future__ import annotations

from collections.abc import Callable

import uvicorn

from shared.errors import InputError
from stripread.records.settings import Settings
from stripread.records.store import open_store
from stripread.web import journal, sign_ins
from stripread.web.app import make_app
from stripread.web.house import House
from stripread.web.serving import Serving, check
from stripread.web.worker import Workers

#: An idle connection is closed after so many seconds; so many may be open.
IDLE_S, CONNECTIONS = 15, 200


def start(settings: Settings, *, workers: int, serving: Serving, tell: Callable[[str], None]) -> None:
    """Serve. Raises InputError where it would not be safe, or the address is taken."""
    store = open_store(settings)
    check(serving, someone_can_sign_in=sign_ins.anyone(store))
    journal.start()
    pool = Workers(workers)
    house = House(store=store, settings=settings, workers=pool, serving=serving)
    tell(_greeting(house))
    server = uvicorn.Server(configuration(house))
    try:
        server.run()
    except SystemExit as error:
        raise InputError("the server could not start; the line above says why", where=serving.url,
                         remedy="choose another --port if it is taken") from error
    finally:
        pool.end()


def configuration(house: House) -> uvicorn.Config:
    """How uvicorn serves a house."""
    serving = house.serving
    return uvicorn.Config(
        make_app(house), host=serving.host, port=serving.port, ssl_certfile=serving.cert, ssl_keyfile=serving.key,
        proxy_headers=serving.proxy is not None, forwarded_allow_ips=serving.proxy or [], server_header=False,
        access_log=False, log_config=None, timeout_keep_alive=IDLE_S, limit_concurrency=CONNECTIONS,
        timeout_graceful_shutdown=10)


def _greeting(house: House) -> str:
    lines = [f"stripread is served at {house.serving.url} (Ctrl-C ends it)"]
    if house.code:
        lines += ["Nobody can sign in yet. Open that page and enter this code, once:", f"    {house.code}"]
    return "\n".join(lines)
