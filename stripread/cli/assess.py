"""``stripread assess``: values to verdicts and what to do."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from assess import Assessment, DecisionRule, Sample, Terms, load_equipment, load_limits, sample_from_typed
from assess import assess as assessment_of
from assess.choice import MARGIN
from assess.decision import Verdict
from assess.equipment import DEFAULT_EQUIPMENT, templates
from assess.inputs.lines import NoResult, samples_from_lines
from assess.inputs.words import at_start
from assess.limits import DEFAULT_SET, shipped_sets
from assess.options import Policy
from assess.treatment.unit import load_units
from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.files import read_bytes
from stripread.cli.main import DONE, SOME_REFUSED, echo
from stripread.cli.progress import with_progress
from stripread.cli.verdicts import as_text
from stripread.version import __version__

#: Exit status where `--fail-on` asked for it.
FAILED_ON = 3
_TYPED = ("hardness", "alkalinity", "ph", "chloride", "chlorine", "total-chlorine", "calcium", "magnesium", "sodium",
          "potassium", "sulfate", "iron", "conductivity", "tds", "temperature")
Command = TypeVar("Command", bound=Callable[..., Any])


def _typed_options(command: Command) -> Command:
    """One option for each analyte that can be typed."""
    for analyte in reversed(_TYPED):
        told = f"{at_start(ANALYTES[analyte].name)}, with its unit and, if known, its doubt."
        command = click.option(f"--{analyte}", metavar="VALUE", help=told)(command)
    return command


@click.command()
@click.argument("reading", required=False, type=click.Path(path_type=Path, allow_dash=True))
@click.option("--machine", default=DEFAULT_EQUIPMENT, show_default=True, metavar="NAME|FILE.toml",
              help=f"Your machine's profile, or a generic one: {', '.join(templates())}.")
@click.option("--limits", default=DEFAULT_SET, show_default=True, metavar="NAME|FILE.toml",
              help=f"Set of limits: your own, or {', '.join(shipped_sets())}.")
@click.option("--units", type=click.Path(path_type=Path), metavar="FILE.toml",
              help="Your own catalogue of treatment units; without it, generic ones.")
@click.option("--after", type=click.Path(path_type=Path, allow_dash=True), metavar="READING",
              help="A reading behind the treatment that the equipment profile states: does it work?")
@_typed_options
@click.option("--calcium-fraction", metavar="VALUE", help="Calcium's part of the hardness, 0 to 1.")
@click.option("--laboratory", is_flag=True, help="The typed values are a laboratory's analysis.")
@click.option("--confidence", type=float, default=0.95, show_default=True,
              help="Probability from which a verdict is in or out; between, it is undecided.")
@click.option("--guard-band", type=float, metavar="SHARE",
              help="Instead of --confidence: a guard band of so many times the 95 % expanded uncertainty.")
@click.option("--json", "json_lines", is_flag=True, help="One JSON object for each sample, a line each.")
@click.option("--details", is_flag=True, help="After the first screen, show criteria, options, assumptions, cautions.")
@click.option("--prefer", type=click.Choice(["lowest-level", "closest"]),
              help="Recommend the lowest level of intervention that is close enough, or the water closest to the "
                   "target [default: the machine's profile, else lowest-level].")
@click.option("--margin", type=click.FloatRange(min=0.0), metavar="DIFFERENCES",
              help=f"What a higher level must gain, in noticeable differences [default: {MARGIN:g}].")
@click.option("--report", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="Write one page with verdicts, limits, saturation, options and plan of each sample.")
@click.option("--fail-on", type=click.Choice(["out", "undecided"]),
              help=f"Exit with {FAILED_ON} where a verdict is out (or, with undecided, not in).")
def assess(reading: Path | None, *, json_lines: bool, report: Path | None, fail_on: str | None,
           **options: Any) -> int:
    """Judge a water for a machine and a cup, and say what to do.

    READING is a file of `stripread read --json` lines, or - for standard input. Values may be typed instead,
    or beside it: --hardness "3.4 °dH" --ph "7.2 ± 0.2". They are those of the tap, before any treatment. A
    verdict never changes the exit status unless --fail-on asks for it.
    """
    job = _job(options)
    samples = job.samples(reading)
    status = SOME_REFUSED if any(isinstance(s, NoResult) for s in samples) else DONE
    results = []
    for sample in with_progress(samples, "Assessing"):
        if isinstance(sample, NoResult):
            echo(f"{sample.name}: refused. {sample.reason}", err=json_lines)
            continue
        result = assessment_of(sample, job.terms, after=job.after)
        echo(msgspec.json.encode(result) if json_lines else as_text(result, details=options["details"]))
        results.append(result)
        status = max(status, _failed(result, fail_on))
    if report is not None and results:
        from stripread.report import write_assessment_reports

        write_assessment_reports(results, report)
    return status


@dataclass(frozen=True, slots=True)
class _Job:
    terms: Terms
    typed: Sample | None
    after: Sample | None

    def samples(self, reading: Path | None) -> list[Sample | NoResult]:
        """The samples of the reading with the typed values added, or the typed values alone."""
        if reading is not None:
            return [s if isinstance(s, NoResult) or self.typed is None else s.joined(self.typed)
                    for s in _read(reading)]
        if self.typed is None:
            raise InputError("there is nothing to assess", where="assess", found="no reading and no values",
                             remedy='give a file of readings, or type values: --hardness "60 mg/L CaCO3"')
        return [self.typed]


def _job(options: dict[str, Any]) -> _Job:
    texts = {a: text for a in _TYPED if (text := options[a.replace("-", "_")]) is not None}
    fraction, after = options["calcium_fraction"], options["after"]
    typed = None
    if texts or fraction is not None:
        typed = sample_from_typed(texts, laboratory=options["laboratory"], calcium_fraction=fraction)
    terms = Terms(equipment=load_equipment(options["machine"]), limits=load_limits(options["limits"]),
                  units=load_units(options["units"]), rule=_rule(options),
                  policy=_policy(options), software=f"stripread {__version__}")
    return _Job(terms, typed, None if after is None else _one(after))


def _policy(options: dict[str, Any]) -> Policy | None:
    """What was asked for; None leaves it to the machine's profile."""
    machine = load_equipment(options["machine"])
    prefer, margin = options["prefer"] or machine.prefer, options["margin"]
    if options["prefer"] is None and margin is None:
        return None
    return Policy(machine.margin or MARGIN if margin is None else margin, prefer)


def _rule(options: dict[str, Any]) -> DecisionRule:
    guard_band = options["guard_band"]
    return DecisionRule(options["confidence"]) if guard_band is None else DecisionRule.guarded(guard_band)


def _read(path: Path) -> list[Sample | NoResult]:
    if str(path) == "-":
        return list(samples_from_lines(sys.stdin.read(), "standard input"))
    return list(samples_from_lines(read_bytes(path).decode("utf-8", errors="replace"), str(path)))


def _one(path: Path) -> Sample:
    """The only sample of a file."""
    first, *more = _read(path)
    if more or isinstance(first, NoResult):
        raise InputError("one reading that was not refused is needed", where=f"--after {path}",
                         found=first.reason if isinstance(first, NoResult) else f"{1 + len(more)} readings")
    return first


def _failed(result: Assessment, fail_on: str | None) -> int:
    bad: tuple[Verdict, ...] = ("out", "undecided") if fail_on == "undecided" else ("out",)
    return FAILED_ON if fail_on and any(result.any(v) for v in bad) else DONE
