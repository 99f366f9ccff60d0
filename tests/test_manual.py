"""The manual: links, commands, requests, paths and figures in it exist in the program; reference pages are current."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import click
import msgspec
import pypdfium2
import pytest

from assess.choice import MARGIN
from assess.decision import DecisionRule
from assess.equipment import Prices, load_equipment
from assess.treatment.unit import load_units
from calibration.control import BASELINE_RUNS
from calibration.gaussian_process import KernelParameters
from calibration.reflectance import N_COSINES
from calibration.release import COUNTED_ZETA, LARGEST_ZETA
from calibration.value import OFF_CURVE
from calibration.westgard import EWMA_LIMIT, EWMA_WEIGHT
from stripread.cli.main import TOPICS, cli
from stripread.manual.library import manual_pages
from stripread.reading.light_fit import CONTRAST, FIELD_SD, LIFT_SD, SHOULDER_SD, VEIL_CHANNEL_SD, VEIL_SD
from stripread.reading.response_prior import LAMPS, LIGHTS, REMAINDER, REMAINDER_MEASURED, SMOOTH_NM, STRENGTHS
from stripread.store.settings import SettingsFile
from stripread.web.api.description import openapi
from stripread.web.static_files import load_messages
from tests import manual_reference
from tests.documents import MANUAL, ROOT, blocks, page
from tests.loops import some

PAGES = sorted(MANUAL.glob("*.md"))
EXPLANATIONS = re.findall(r"\((\w+)\.md\)", page("index").partition("## Explanations")[2].partition("## Reference")[0])
#: Pages of evidence and rules without a computation of their own.
WITHOUT_TESTS = {"records", "security", "evidence"}
#: Figures that a page states, written from the program's constants.
FIGURES = (
    ("light", f"{FIELD_SD:g} over half the card"),
    ("light", f"{100 * VEIL_SD:g} % of full light common to the channels, {100 * VEIL_CHANNEL_SD:g} % for each"),
    ("light", f"{CONTRAST[1]:g}, {LIFT_SD:g}, {SHOULDER_SD:g}"),
    ("response", f"smooth over {SMOOTH_NM:g} nm"),
    ("response", {11: "one of eleven lamps"}[len(LAMPS)]),
    ("response", f"under the {len(LIGHTS)} lights and with"),
    ("response", {3: "three strengths"}[len(STRENGTHS)]),
    ("response", f"and *p* = {REMAINDER:g}"),
    ("response", f"*p* = {REMAINDER_MEASURED:g}"),
    ("calibration", f"so {KernelParameters().spectral_nm:g} nm is expected"),
    ("interval", f"exceeds {OFF_CURVE:.1f}"),
    ("calibration", {12: "twelve cosines"}[N_COSINES]),
    ("calibration", f"no |zeta| above {LARGEST_ZETA:g}"),
    ("calibration", f"the number of |zeta| > {COUNTED_ZETA:g}"),
    ("control", f"first {BASELINE_RUNS} runs"),
    ("control", f"(weight {EWMA_WEIGHT:g}) is beyond {EWMA_LIMIT:g} standard deviations"),
    ("decision", f"default {DecisionRule().confidence:g}"),
    ("treatment", f"default {MARGIN:g} noticeable differences"),
)


#: Abbreviations of general computing and English; chemical formulas are those of the trade.
GENERAL = {"A4", "API", "CAUTION", "DNS", "FALSE", "HTTP", "ID", "IP", "JPEG", "JSON", "MB", "NEVER", "PDF", "PNG",
           "TIFF", "TRUE", "URL", "US", "VPN", "WARNING"}
FORMULAS = re.compile(r"(?:H|CO|HCO|SO|HSO)\d+|CN")
#: Parts of citations: journals, series, authors' initials.
CITED = {"ACS", "BT", "GB", "WACV"}
#: Pages for readers of another glossary: OWASP ASVS, and the pages that are generated.
OTHER_TERMS = {"security.md", "glossary.md", *manual_reference.pages()}
#: Pages whose emphasised words are names on the server's pages, or terms.
OF_ROLES = ("technician", "analyst", "reviewer", "manager", "administrator", "integrator")


def prose(file: Path) -> str:
    """A page without code, links' addresses and generated output."""
    text = re.sub(r"^```.*?^```", "", file.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
    return re.sub(r"`[^`]*`|\]\([^)]*\)|\w+\.md|^ {4}.*$", "", text, flags=re.MULTILINE)


def defined_terms() -> set[str]:
    """The terms of the glossary, in lower case."""
    cells = re.findall(r"^\| ([^|]+) \|", page("glossary"), re.MULTILINE)
    return {term.strip(" *)").lower() for cell in cells for term in re.split(r"[,;:(]", cell)}


@pytest.mark.parametrize("file", [ROOT / "README.md", *(f for f in PAGES if f.name not in OTHER_TERMS)],
                         ids=lambda file: file.name)
def test_abbreviations_are_defined_in_the_glossary(file: Path) -> None:
    found = {a.removesuffix("s") for a in re.findall(r"\b[A-Z][A-Z0-9]+s?\b", prose(file))}
    known = {*GENERAL, *CITED, *re.findall(r"\b[A-Z][A-Z0-9]+\b", page("glossary").partition("## Abbreviations")[2])}
    known |= {term.upper() for term in defined_terms()}
    assert sorted(a for a in found - known if not FORMULAS.fullmatch(a)) == []


@pytest.mark.parametrize("name", OF_ROLES)
def test_emphasised_words_are_names_on_the_pages_or_terms(name: str) -> None:
    """Pages, buttons and fields have the names that the server shows; other emphasised words are in the glossary."""
    text = prose(MANUAL / f"{name}.md")
    pairs = re.findall(r"\*\*([^*]+)\*\*|(?<!\*)\*([^*]+)\*(?!\*)", text)
    found = {" ".join(words.split()) for pair in pairs for words in pair}
    shown = {" ".join(re.split(r"[(:]", text)[0].lower().split())
             for section in load_messages().texts.values() for text in section.values()}
    #: The first words of a paragraph or item, and warnings, are emphasised as a heading is.
    headings = {w for w in found if w.endswith((".", ":")) or w.startswith(("CAUTION", "WARNING"))}
    headings |= set(re.findall(r"^(?:\d\. |- )?\*\*([^*]+)\*\*", text, re.MULTILINE))
    assert sorted(w for w in found - headings if w and w.lower() not in defined_terms()
                  and not any(text.startswith(w.lower()) for text in shown)) == []


@pytest.mark.parametrize("text", [page("administrator"), page("cluster")], ids=["administrator", "cluster"])
def test_settings_in_documents_are_accepted(text: str) -> None:
    examples = blocks(text, "toml")
    assert examples
    for example in examples:
        msgspec.convert(tomllib.loads(example), SettingsFile)


def test_the_profile_and_catalogue_of_the_manager_are_accepted(tmp_path: Path) -> None:
    for name, example in zip(("machine.toml", "units.toml"), blocks(page("manager"), "toml"), strict=True):
        (tmp_path / name).write_text(example, encoding="utf-8")
    assert load_equipment(tmp_path / "machine.toml").prices == Prices(
        currency="EUR", labour_hour=60, water_m3=4, descaling=150)
    assert list(load_units(tmp_path / "units.toml")) == ["our-exchanger"]


@pytest.mark.parametrize("file", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *PAGES], ids=lambda file: file.name)
def test_links_lead_to_files(file: Path) -> None:
    found = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", file.read_text(encoding="utf-8"))
    assert [link for link in found if not link.startswith("http") and not (file.parent / link).exists()] == []


def test_every_page_is_linked_from_the_index() -> None:
    linked = set(re.findall(r"\]\(([^)]+)\)", page("index")))
    assert {file.name for file in PAGES} - linked == {"index.md"}


@pytest.mark.parametrize("name", list(manual_reference.pages()))
def test_reference_pages_are_current(name: str) -> None:
    """If this fails, run `make manual` and commit the pages."""
    assert (MANUAL / name).read_text(encoding="utf-8") == manual_reference.pages()[name]


def test_paths_named_in_the_manual_exist() -> None:
    named = {path for file in PAGES for path in re.findall(
        r"`((?:shared|calibration|assess|stripread|tests)/[\w/.-]+)`", file.read_text(encoding="utf-8"))}
    assert len(named) > 30
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []


@pytest.mark.parametrize("topic", [topic for topic in EXPLANATIONS if topic not in WITHOUT_TESTS])
def test_an_explanation_names_its_code_and_the_tests_that_check_it(topic: str) -> None:
    text = page(topic)
    assert re.search(r"Code:\s", text)
    tests = re.findall(r"`(?:tests/[\w/]*)?(test_\w+\.py|tests/[\w/]+/)`", text)
    assert tests
    assert [name for name in tests if not name.endswith("/") and not list((ROOT / "tests").rglob(name))] == []


@pytest.mark.parametrize(("topic", "stated"), FIGURES, ids=str)
def test_figures_in_explanations_are_the_programs(topic: str, stated: str) -> None:
    assert stated in " ".join(page(topic).split())


def test_commands_in_prose_exist() -> None:
    context = click.Context(cli)
    texts = [file.read_text(encoding="utf-8") for file in PAGES]
    for words in some(w for t in texts for w in re.findall(r"`stripread ([a-z][a-z-]*(?: [a-z][a-z-]*)?)[ `]", t)):
        command: click.Command | None = cli
        for word in some(words.split()):
            command = command.get_command(context, word) if isinstance(command, click.Group) else command
            assert command is not None, words


def test_errors_name_pages_that_exist() -> None:
    assert set(TOPICS.values()) <= manual_pages().keys()
    assert TOPICS.keys() <= set(cli.list_commands(click.Context(cli)))


def test_requests_of_the_integrators_page_are_in_the_description_of_the_api() -> None:
    paths = msgspec.json.decode(openapi())["paths"]
    requests = [shlex.split(line) for line in page("integrator").splitlines() if line.startswith("curl ")]
    assert len(requests) >= 2
    for words in requests:
        address = urlsplit(words[-1])
        method = "post" if {"--data-binary", "--json"} & {*words} else "get"
        operation = paths[address.path.replace("READING", "{reading}")][method]
        assert parse_qs(address.query).keys() <= {p["name"] for p in operation["parameters"]}


def test_the_field_card_is_one_page_with_every_step() -> None:
    """If this fails, run `make pictures` and commit the card."""
    with pypdfium2.PdfDocument(MANUAL / "pictures" / "field-card.pdf") as card:
        assert len(card) == 1
        text = "".join(card[0].get_textpage().get_text_range().split())
    steps = re.findall(r"^\| \d \| (.+?) \|", page("field-card"), re.MULTILINE)
    assert len(steps) == 8
    for step in (*steps, *re.findall(r"\*\*CAUTION[^*]+\*\*", page("field-card"))):
        assert "".join(step.replace("*", "").split()) in text, step
