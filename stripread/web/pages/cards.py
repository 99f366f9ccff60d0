"""Reference cards: printed, characterised by print run, checked by photographs over time, retired."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal, get_args

import msgspec
from starlette.responses import Response

from shared.card import RUNS, CardLayout, default_card
from shared.decoders import from_json
from shared.errors import InputError, MismatchError
from shared.profile import PrintProfile, profile_of
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.card_inspections import CardFinding, CardInfo, CardIntake, begin_card, retire_card
from stripread.intake.materials_import import register_profile
from stripread.reading.card_check import CHANGED
from stripread.reading.photo_file import PhotoFile
from stripread.report.card_pdf import card_pdf
from stripread.report.colorimetry import ProfileSummary, patch_differences, profile_summary
from stripread.report.figures.time_plot import TrendLine, trend_line
from stripread.report.figures.window import LimitBounds, Tone
from stripread.store import chart_selection
from stripread.store.models.materials import Card, CardInspection, PrintRun
from stripread.store.models.record import validation_message
from stripread.store.sign_ins import names_of
from stripread.web import worker_process
from stripread.web.error_handlers import json
from stripread.web.listing import ROWS, choice, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

#: Largest card profile, bytes: spectra of 40 patches need about 20 kB.
PROFILE_BYTES: Final = 2**20
State = Literal["used", "retired"]
STATES: Final[tuple[State, ...]] = get_args(State)
Sheet = Literal["a4", "card"]
SHEETS: Final[tuple[Sheet, ...]] = get_args(Sheet)
TONES: Final[dict[str, Tone]] = {"good": "ok", "look again": "un", "replace": "out"}
WORDS: Final = {"good": "good", "look again": "unclear", "replace": "replace"}
#: Values of a trend line.
_SHOWN: Final = 24


@dataclass(frozen=True, slots=True)
class RunLine:
    """A print run with its current profile; ``summary``: None for a profile of another card layout."""

    stored: PrintRun
    summary: ProfileSummary | None
    in_use: int


@dataclass(frozen=True, slots=True)
class CardLine:
    """A card with its checks, latest first, and the trend of its patches' differences."""

    card: Card
    last: CardInspection | None
    checks: int
    trend: TrendLine | None


def show(request: RequestContext) -> Response:
    """Return the page, or the list of cards as a file."""
    return _shown(request)


def printed(request: RequestContext) -> Response:
    """Return the PDF of a card of a print run."""
    run, sheet = request.query("run"), one_of(SHEETS, request.query("sheet") or "card", "sheet")
    if not (run.isascii() and run.isdigit() and len(run) < 6):
        raise _unknown_run(run)
    return Response(card_pdf(default_card(), int(run), sheet=sheet), media_type="application/pdf",
                    headers={"content-disposition": f'attachment; filename="card-run-{int(run):03d}.pdf"'})


def _unknown_run(given: str) -> MismatchError:
    return MismatchError("no such print run", where="run", found=repr(given[:20]),
                         allowed=f"{RUNS.start} to {RUNS.stop - 1}")


def begin(request: RequestContext) -> Response:
    """Record a card that is taken into use."""
    return _done(request, add_card)


def add_card(request: RequestContext) -> CardLine:
    """Record a card that is taken into use and return it."""
    run = request.field("run")
    try:
        made = from_json(msgspec.json.encode({
            "id": request.field("card").strip(), "run": int(run) if run.isascii() and run.isdigit() else run,
            "first_used": request.field("first-used") or None}), Card)
    except msgspec.ValidationError as error:
        raise InputError("is not a valid card", where="card", found=validation_message(error),
                         remedy="correct the entry") from error
    if made.run not in RUNS:
        raise _unknown_run(run)
    begin_card(request.store, request.account, made)
    return _line(made, [])


def retire(request: RequestContext) -> Response:
    """Retire a card with a reason."""
    return _done(request, end_card)


def end_card(request: RequestContext) -> CardLine:
    """Retire the card of the address with a reason and return it."""
    card = request.one(Card, request.path("card"))
    retire_card(request.store, request.account, card.id, request.field("why"))
    return _line(request.one(Card, card.id), card_checks(request))


def characterise(request: RequestContext) -> Response:
    """Register the card profile in the body (CGATS.17) and compare it with the design."""
    run, summary = register_run(request)
    return json({"text": request.app.messages(
        "cards.characterised", run=run, median=f"{summary.median:.1f}", largest=f"{summary.largest:.1f}")})


def register_run(request: RequestContext) -> tuple[int | None, ProfileSummary]:
    """Register the card profile in the body (CGATS.17); return its print run, and how it differs from the design."""
    store, name = request.store, request.query("name")[-200:] or "card profile"
    layout = default_card()
    text = request.body.decode("utf-8-sig", "replace")
    profile = profile_of(text, name)
    profile.check_against(layout)
    register_profile(store, request.account, request.body, name)
    return profile.run, profile_summary(profile, patch_differences(profile, layout))


def inspect(request: RequestContext) -> Response:
    """Store a photograph of a card (the body) and the check of the card in it."""
    finding = inspect_card(request)
    verdict = request.app.messages(f"card-verdict.{WORDS[finding.verdict]}")
    return json({"text": ". ".join((verdict, *finding.reasons)), "wrong": finding.verdict != "good"})


def inspect_card(request: RequestContext) -> CardInspection:
    """Store a photograph of a card (the body) and the check of the card in it; return the check."""
    layout = default_card()
    return CardIntake(request.store, request.account, layout, _inspector(request, layout)).receive(
        PhotoFile(request.query("name")[-200:] or "photograph", request.body), _said(request))


def _inspector(request: RequestContext, layout: CardLayout) -> Callable[[PhotoFile], CardFinding]:
    profiles = chart_selection.profiles(request.store, layout)
    return lambda file: from_json(request.app.workers.do(
        worker_process.inspect_card, file=file, card=layout, profiles=profiles), CardFinding)


def _said(request: RequestContext) -> CardInfo:
    """Return the card and the length of its bar by ruler. Raises InputError for an unknown card or no length."""
    card, ruler = request.query("card") or None, request.query("ruler").strip().replace(",", ".")
    if card is not None:
        request.one(Card, card)
    try:
        return CardInfo(card, float(ruler) if ruler else None)
    except ValueError as error:
        raise MismatchError("not a length", where="ruler", found=repr(ruler[:20]),
                            allowed="a length in mm, such as 50.0") from error


def _done(request: RequestContext, act: Callable[[RequestContext], object]) -> Response:
    try:
        act(request)
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go("/cards")


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    store, layout = request.store, default_card()
    cards, checks = store.find(Card), sorted(store.find(CardInspection), key=lambda c: c.at, reverse=True)
    lines = _filtered(request, [_line(card, checks) for card in cards])
    if downloads(request):
        return csv_file("cards", _table(lines))
    first = page_number(request) * ROWS
    return page(
        request, "cards.html", status=status, wrong=wrong, address=list_address(request),
        lines=lines[first:first + ROWS],
        further=page_number(request) + 1 if len(lines) > first + ROWS else "", states=STATES, sheets=SHEETS,
        tones=TONES, verdict_words=WORDS,
        runs=print_runs(store.find(PrintRun), cards, layout), checks=checks[:ROWS], n_checks=len(checks), layout=layout,
        in_use=[c for c in cards if c.retired is None], names=names_of(store, {c.account for c in checks[:ROWS]}),
        next_run=_next_run(store.find(PrintRun), cards), last_run=RUNS.stop - 1, today=store.clock().date())


def card_checks(request: RequestContext) -> list[CardInspection]:
    """Return the checks of the card of the address, latest first."""
    card = request.one(Card, request.path("card"))
    return sorted(request.store.find(CardInspection, card=card.id), key=lambda c: c.at, reverse=True)


def chosen_cards(request: RequestContext) -> list[CardLine]:
    """Return the cards under the filters of the address, in its order."""
    checks = sorted(request.store.find(CardInspection), key=lambda c: c.at, reverse=True)
    return _filtered(request, [_line(card, checks) for card in request.store.find(Card)])


def _line(card: Card, checks: Sequence[CardInspection]) -> CardLine:
    mine = [c for c in checks if c.card == card.id]
    values = [c.typical_delta_e for c in reversed(mine[:_SHOWN]) if c.typical_delta_e is not None]
    trend = trend_line(values, LimitBounds(at_most=CHANGED),
                       "within-limits" if values[-1] <= CHANGED else "out-of-limits",
                       f"{card.id}: {', '.join(f'{v:.1f}' for v in values)}") if len(values) > 1 else None
    return CardLine(card, mine[0] if mine else None, len(mine), trend)


def _filtered(request: RequestContext, lines: Sequence[CardLine]) -> list[CardLine]:
    typed, state = request.query("search").strip().casefold(), choice(request, "state", STATES)
    cards = [c for c in lines if typed in f"{c.card.id} {c.card.run}".casefold()
            and (state is None or (state == "retired") == (c.card.retired is not None))]
    if choice(request, "sort", ("run", "name")) == "name":
        return cards
    return sorted(cards, key=lambda c: (c.card.retired is not None, -c.card.run))


def print_runs(stored: Sequence[PrintRun], cards: Sequence[Card], layout: CardLayout) -> list[RunLine]:
    """Return the print runs with their latest profile, the highest number first."""
    latest = {s.run: s for s in sorted(stored, key=lambda s: s.at)}
    return [RunLine(s, _summary(profile_of(s.text, f"print run {run}"), layout),
                    sum(c.run == run and c.retired is None for c in cards))
            for run, s in sorted(latest.items(), reverse=True)]


def _summary(profile: PrintProfile, layout: CardLayout) -> ProfileSummary | None:
    try:
        profile.check_against(layout)
    except MismatchError:
        return None
    return profile_summary(profile, patch_differences(profile, layout))


def _next_run(runs: Sequence[PrintRun], cards: Sequence[Card]) -> int:
    """Return the first print run after all that are known, as far as there are numbers."""
    return min(RUNS.stop - 1, max([0, *(r.run for r in runs), *(c.run for c in cards)]) + 1)


def _table(lines: Sequence[CardLine]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "card", "print run", "first used", "retired", "last check [UTC]", "verdict", "reasons"))
    return ReadingsTable(columns, tuple(
        (c.card.id, str(c.card.run), _text(c.card.first_used), _text(c.card.retired),
         _text(c.last.at if c.last else None), c.last.verdict if c.last else None,
         "; ".join(c.last.reasons) if c.last else None) for c in lines))


def _text(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
