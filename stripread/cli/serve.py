"""``stripread serve``: the web server."""

from __future__ import annotations

import os
from pathlib import Path

import click

from stripread.cli.commands import ExampleCommand
from stripread.cli.options import FILE
from stripread.store.settings import load_settings


@click.command(cls=ExampleCommand, examples=(
    "stripread serve", "stripread serve --host 0.0.0.0 --tls-cert cert.pem --tls-key key.pem"))
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="Address to listen on.")
@click.option("--port", default=8411, show_default=True, type=click.IntRange(1, 65535), metavar="PORT",
              help="Port to listen on.")
@click.option("--tls-cert", type=FILE, metavar="FILE.pem", help="TLS certificate.")
@click.option("--tls-key", type=FILE, metavar="FILE.pem", help="Key of the TLS certificate.")
@click.option("--trusted-proxy", metavar="ADDRESS",
              help="Address of a TLS proxy whose X-Forwarded-For and X-Forwarded-Proto headers are trusted.")
@click.option("--name", "names", multiple=True, metavar="HOST",
              help="Allowed Host header; repeatable. If given, requests for other hosts are rejected.")
@click.option("--workers", type=click.IntRange(1, 64), metavar="N",
              help="Number of worker processes for photographs, plus half as many for previews [default: one per "
                   "core].")
def serve(*, host: str, port: int, tls_cert: Path | None, tls_key: Path | None, trusted_proxy: str | None,
          names: tuple[str, ...], workers: int | None) -> None:
    """Run the web server.

    It listens on localhost only unless --host is given; then TLS is required, its own or that of a proxy. It uses the
    store of `stripread storage info`. Logs are written to standard error as JSON lines.
    """
    from stripread.web.server_config import ServerConfig
    from stripread.web.start import start

    start(load_settings(), workers=workers or os.cpu_count() or 1, tell=click.echo, serving=ServerConfig(
        host=host, port=port, cert=tls_cert, key=tls_key, proxy=trusted_proxy, names=names))
