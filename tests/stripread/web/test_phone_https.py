"""The private certificate authority of the manual: made by its commands, the server runs on it, a client trusts it."""

from __future__ import annotations

import re
import shutil
import ssl
import subprocess
from pathlib import Path

import httpx
import pytest

import stripread.manual
from stripread.web.state import ServerConfig
from stripread.web.worker import Workers
from tests.services import missing

from .conftest import serving, store_in

PAGE = Path(str(stripread.manual.__path__[0])) / "phone-https.md"


def commands() -> list[str]:
    """The page's OpenSSL commands, lines joined, for this machine."""
    block = "\n".join(re.findall(r"^    (.*)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)).replace("\\\n", " ")
    lines = [line for line in block.splitlines() if not line.startswith("stripread ")]
    return [re.sub(r"192\.0\.2\.10", "127.0.0.1", line).replace("water.example", "localhost") for line in lines]


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with what the commands made."""
    if shutil.which("openssl") is None:
        missing("no OpenSSL on this machine; install the package openssl to run this test")
    folder = tmp_path_factory.mktemp("ca")
    for line in commands():
        subprocess.run(line, shell=True, cwd=folder, check=True, capture_output=True)  # noqa: S602 - the manual's own
    return folder


def test_a_client_that_trusts_the_authority_trusts_the_server(authority: Path, tmp_path: Path,
                                                              workers: Workers) -> None:
    config = ServerConfig(port=0, cert=authority / "server.pem", key=authority / "server.key")
    trusting = ssl.create_default_context(cafile=str(authority / "ca.pem"))
    trusting.verify_flags |= ssl.VerifyFlags.VERIFY_X509_STRICT  # RFC 5280, as phones check it
    with serving(store_in(tmp_path), workers, config) as running:
        running.app.code = ""
        running.account("technician")
        for address in (running.url, running.url.replace("127.0.0.1", "localhost")):
            assert httpx.get(f"{address}/sign-in", verify=trusting).status_code == 200
            assert httpx.get(f"{address}/service-worker.js", verify=trusting).status_code == 200
        with pytest.raises(httpx.ConnectError):
            httpx.get(f"{running.url}/sign-in")


def test_the_authority_is_limited_to_its_names(authority: Path) -> None:
    """A certificate of it for another name is rejected (RFC 5280, 4.2.1.10)."""
    other = [line.replace("localhost", "bank.example").replace("IP:127.0.0.1", "IP:198.51.100.7")
             .replace("server.", "other.") for line in commands()[2:]]
    for line in other:
        subprocess.run(line, shell=True, cwd=authority, check=True, capture_output=True)  # noqa: S602
    checked = subprocess.run(["openssl", "verify", "-x509_strict", "-CAfile", "ca.pem", "other.pem"], cwd=authority,
                             check=False, capture_output=True, text=True)
    assert checked.returncode != 0
    assert "permitted subtree violation" in checked.stdout + checked.stderr
