"""Over TLS, its own or a proxy's: cookies bound to the host, nothing in the clear, no other proxy's headers trusted."""

from __future__ import annotations

import ssl
from pathlib import Path

import httpx
import pytest

from stripread.web.refusals import BY_BOTH
from stripread.web.state import ServerConfig
from stripread.web.worker import Workers

from .conftest import PASSWORD, serving, store_in


def sign_in(client: httpx.Client, password: str = PASSWORD, **headers: str) -> httpx.Response:
    origin = headers.pop("origin", str(client.base_url).rstrip("/"))
    return client.post("/sign-in", data={"name": "person 0", "password": password},
                       headers={"origin": origin, **headers})


def test_its_own_tls(certificate: tuple[Path, Path], tmp_path: Path, workers: Workers) -> None:
    """``__Host-``: Secure, no Domain, Path=/ (RFC 6265bis, 4.1.3.2)."""
    cert, key = certificate
    with serving(store_in(tmp_path), workers, ServerConfig(port=0, cert=cert, key=key)) as running:
        running.account("technician")
        running.app.code = ""
        trusting = ssl.create_default_context(cafile=str(cert))
        with httpx.Client(base_url=running.url, verify=trusting, headers={"accept": "text/html"}) as client:
            answer = sign_in(client)
            cookie = answer.headers["set-cookie"]
            assert cookie.startswith("__Host-session=")
            assert {"Secure", "HttpOnly", "Path=/", "SameSite=lax"} <= {part.strip() for part in cookie.split(";")}
            assert "Domain" not in cookie
            assert client.get("/").status_code == 200
            assert answer.headers["strict-transport-security"].startswith("max-age=")
        with pytest.raises(httpx.HTTPError):
            httpx.get(running.url.replace("https", "http"))


def test_a_proxys_tls(tmp_path: Path, workers: Workers) -> None:
    """Scheme and address are those that the proxy states; without TLS to the proxy no request is answered."""
    said = {"x-forwarded-proto": "https", "x-forwarded-for": "192.0.2.7"}
    with serving(store_in(tmp_path), workers, ServerConfig(port=0, proxy="127.0.0.1")) as running:
        running.account("technician")
        running.app.code = ""
        with httpx.Client(base_url=running.url, headers={"accept": "text/html"}) as client:
            ours = running.url.replace("http", "https")
            assert client.get("/sign-in").status_code == 403
            assert client.get("/sign-in", headers=said).status_code == 200
            for _ in range(BY_BOTH.failures):
                assert sign_in(client, "a wrong password", origin=ours, **said).status_code == 401
            assert sign_in(client, origin=ours, **said).status_code == 429
            answer = sign_in(client, origin=ours, **{**said, "x-forwarded-for": "192.0.2.8"})
            assert answer.headers["set-cookie"].startswith("__Host-session=")


def test_no_other_proxy_is_trusted(tmp_path: Path, workers: Workers) -> None:
    """A client that claims to be a proxy, to pass as another address or as TLS."""
    said = {"x-forwarded-proto": "https", "x-forwarded-for": "192.0.2.7"}
    with serving(store_in(tmp_path), workers, ServerConfig(port=0, proxy="192.0.2.1")) as running:
        assert httpx.get(f"{running.url}/sign-in", headers=said).status_code == 403
