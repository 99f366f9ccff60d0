"""Help and Integration: every page of the manual opens, links lead to pages, the API's description is complete."""

from __future__ import annotations

import re

import msgspec
import pytest

from shared.flags import FLAGS
from stripread.manual import library
from stripread.web.api.description import openapi
from tests.loops import some

from .conftest import Served


@pytest.mark.parametrize("topic", list(library.manual_pages()))
def test_every_page_opens(topic: str, shared_server: Served) -> None:
    browser = shared_server.role("technician")
    answer = browser.get(f"/help/{topic}")
    assert answer.status_code == 200
    article = re.findall(r"<article>(.*)</article>", answer.text, re.DOTALL)
    assert len(article) == 1
    assert library.manual_pages()[topic].title in answer.text.replace("&#39;", "'")


def test_links_between_pages_lead_somewhere(shared_server: Served) -> None:
    browser = shared_server.role("technician")
    pages = [browser.get(f"/help/{topic}").text for topic in library.manual_pages()]
    articles = [found for page in pages for found in re.findall(r"<article>(.*)</article>", page, re.DOTALL)]
    for link in some({link for text in articles for link in re.findall(r'(?:href|src)="(/help[^"#]*)', text)}):
        assert browser.get(link).status_code == 200, link


def test_search_finds_pages_with_all_words(shared_server: Served) -> None:
    browser = shared_server.role("manager")
    assert "/help/exhaustion" in browser.get("/help?search=breakthrough+filter").text
    nothing = browser.get("/help?search=%3Cscript%3E+zzz")
    assert "No page contains all of these words" in nothing.text
    assert "<script> zzz" not in nothing.text


def test_unknown_pages_and_files_are_not_found(shared_server: Served) -> None:
    browser = shared_server.role("reviewer")
    for path in ("/help/none-such", "/help/files/pictures/none.jpg", "/help/files/schemas/..%2Findex.md"):
        assert browser.get(path).status_code == 404


def test_the_description_of_the_api_is_readable(shared_server: Served) -> None:
    text = shared_server.role("analyst").get("/integration").text
    paths = msgspec.json.decode(openapi())["paths"]
    assert len(paths) > 5
    for path, methods in paths.items():
        for method in some(methods):
            assert f"{method.upper()} {path}" in text


def test_every_flag_has_an_address_on_its_help_page() -> None:
    """Pages link the name of a flag to its row: /help/flags#glare."""
    rows = re.findall(r'<tr id="([a-z-]+)">', library.as_html("flags", "/help"))
    assert rows == [f.id for scope in ("photograph", "strip", "state") for f in FLAGS.values() if f.scope == scope]


def test_headings_have_addresses() -> None:
    assert 'id="json-schemas"' in library.as_html("files", "/help")
    assert library.anchor("What is held constant?") == "what-is-held-constant"
