"""``stripread serve``: the pages, for phones and desks."""

from __future__ import annotations

import os
from pathlib import Path

import click

from stripread.store.settings import load_settings

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8411, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on.")
@click.option("--tls-cert", type=_FILE, help="Certificate (PEM) for TLS.")
@click.option("--tls-key", type=_FILE, help="Its key (PEM).")
@click.option("--trusted-proxy", metavar="ADDRESS", help="Address of a proxy that does TLS and whose X-Forwarded-For "
                                                         "and X-Forwarded-Proto are believed.")
@click.option("--name", "names", multiple=True, metavar="HOST", help="Host name under which it is asked for; repeat "
                                                                     "for more. Given any, others are refused.")
@click.option("--workers", type=click.IntRange(1, 64),
              help="Processes that read photographs; half as many again look at previews [default: one a core].")
def serve(*, host: str, port: int, tls_cert: Path | None, tls_key: Path | None, trusted_proxy: str | None,
          names: tuple[str, ...], workers: int | None) -> None:
    """Serve the pages: take readings with a phone, see what they mean; and the same acts as JSON.

    Only this machine reaches it unless --host says otherwise; then it needs TLS, its own or a proxy's. Records lie
    where `stripread records` keeps them. Lines of JSON on standard error tell what happens.
    """
    from stripread.web.server_config import ServerConfig
    from stripread.web.start import start

    start(load_settings(), workers=workers or os.cpu_count() or 1, tell=click.echo, serving=ServerConfig(
        host=host, port=port, cert=tls_cert, key=tls_key, proxy=trusted_proxy, names=names))
