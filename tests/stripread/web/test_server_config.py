"""Where it may listen: this machine at once; others only once it is safe."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.errors import InputError
from stripread.web.state import LOOPBACK_NAMES, ServerConfig, check_config


@pytest.fixture
def pem(tmp_path: Path) -> Path:
    (tmp_path / "some.pem").write_text("not looked into here", encoding="utf-8")
    return tmp_path / "some.pem"


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.9", "::1", "localhost"])
def test_localhost_needs_no_tls(host: str) -> None:
    check_config(ServerConfig(host=host), someone_can_sign_in=False)
    assert ServerConfig(host=host).hosts == LOOPBACK_NAMES


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7"])  # noqa: S104 - the very thing under test
def test_other_hosts_need_tls_and_an_account_that_can_sign_in(host: str, pem: Path) -> None:
    with pytest.raises(InputError, match="without encryption"):
        check_config(ServerConfig(host=host), someone_can_sign_in=True)
    for safe in (ServerConfig(host=host, cert=pem, key=pem), ServerConfig(host=host, proxy="192.0.2.1")):
        with pytest.raises(InputError, match="no account can sign in"):
            check_config(safe, someone_can_sign_in=False)
        check_config(safe, someone_can_sign_in=True)
        assert safe.only_secure


def test_what_cannot_be_is_reported(pem: Path) -> None:
    for wrong, said in (
        (ServerConfig(cert=pem), "both"),
        (ServerConfig(cert=pem, key=pem.parent / "none"), "file not found"),
        (ServerConfig(host="everywhere"), "not an IP address"),
        (ServerConfig(proxy="my-proxy"), "not an IP address"),
    ):
        with pytest.raises(InputError, match=said):
            check_config(wrong, someone_can_sign_in=True)


def test_the_address_behind_a_proxy_is_that_of_the_proxy() -> None:
    assert ServerConfig(proxy="127.0.0.1", names=("water.example",)).url == "https://water.example/"
    assert ServerConfig(names=("water.example",)).url == "http://water.example:8411/"
