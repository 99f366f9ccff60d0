"""``stripread serve``: the web server."""

from __future__ import annotations

import os
from pathlib import Path

import click

from stripread.cli.commands import ExampleCommand
from stripread.cli.demo import DEFAULT_FOLDER, sample_company
from stripread.cli.options import FILE
from stripread.cli.output import echo
from stripread.store.settings import Settings, load_settings


@click.command(cls=ExampleCommand, examples=(
    "stripread serve", "stripread serve --demo",
    "stripread serve --host 0.0.0.0 --tls-cert cert.pem --tls-key key.pem"))
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
@click.option("--demo", "demonstration", is_flag=True,
              help="Sample company of `stripread demo --year` with new passwords; it is built if it is missing.")
@click.option("--demo-folder", default=DEFAULT_FOLDER, show_default=True, metavar="FOLDER",
              type=click.Path(file_okay=False, path_type=Path), help="Folder of the sample company.")
def serve(*, host: str, port: int, tls_cert: Path | None, tls_key: Path | None, trusted_proxy: str | None,
          names: tuple[str, ...], workers: int | None, demonstration: bool, demo_folder: Path) -> None:
    """Run the web server.

    It listens on localhost only unless --host is given; then TLS is required, by --tls-cert and --tls-key or by a
    proxy. It uses the store of `stripread storage info`. Logs are written to standard error as JSON lines.

    With --demo it serves a fictitious company on localhost. Each start gives every account a new random password and
    prints it once.
    """
    from stripread.web.start import start
    from stripread.web.state import ServerConfig, check_config

    serving = ServerConfig(host=host, port=port, cert=tls_cert, key=tls_key, proxy=trusted_proxy, names=names,
                           demonstration=demonstration)
    if demonstration:
        check_config(serving, someone_can_sign_in=True)
    start(_demo_settings(demo_folder) if demonstration else load_settings(), workers=workers or os.cpu_count() or 1,
          tell=echo, serving=serving)


def _demo_settings(folder: Path) -> Settings:
    """Return the settings of the sample company; print its accounts with new passwords."""
    from stripread.demo.folder import new_passwords
    from stripread.web.authentication import Passwords

    settings = sample_company(folder)
    echo("All data are fictitious. Sign in as one of:")
    for person, password in new_passwords(settings, Passwords().hash):
        echo(f"  {person.sign_in:14} password {password}")
    return settings
