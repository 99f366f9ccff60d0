"""``stripread assess``: water assessed for a machine and a cup, with a recommendation."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from assess import Assessment, AssessmentSetup, DecisionRule, Sample, load_equipment, load_limits, sample_from_typed
from assess import assess as assessment_of
from assess.choice import MARGIN
from assess.decision import Verdict
from assess.equipment import DEFAULT_EQUIPMENT, templates
from assess.inputs.text import NoResult, samples_from_lines
from assess.limits import DEFAULT_SET, shipped_sets
from assess.options import Policy
from assess.treatment.unit import load_units
from shared.analytes import ANALYTES, capitalise
from shared.errors import InputError
from shared.files import read_bytes
from stripread.cli.commands import ExampleCommand
from stripread.cli.options import FILE
from stripread.cli.output import DONE, NO_RESULT, echo, echo_verdicts, with_progress
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
        text = f"{capitalise(ANALYTES[analyte].name)} with unit and, if known, uncertainty."
        command = click.option(f"--{analyte}", metavar="VALUE", help=text)(command)
    return command


@click.command(cls=ExampleCommand, examples=(
    'stripread assess --hardness "3.4 ± 0.5 °dH" --alkalinity "45 mg/L CaCO3" --ph 7.3',
    "stripread read photo.jpg --batch 2026-A --json | stripread assess - --machine two-boiler-espresso"))
@click.argument("reading", required=False, type=click.Path(path_type=Path, allow_dash=True))
@click.option("--machine", default=DEFAULT_EQUIPMENT, show_default=True, metavar="NAME|FILE.toml",
              help=f"Profile of the machine: your own, or {', '.join(templates())}.")
@click.option("--limits", default=DEFAULT_SET, show_default=True, metavar="NAME|FILE.toml",
              help=f"Set of limits: your own, or {', '.join(shipped_sets())}.")
@click.option("--units", type=click.Path(path_type=Path), metavar="FILE.toml",
              help="Own catalogue of treatment units [default: generic ones].")
@click.option("--after", type=click.Path(path_type=Path, allow_dash=True), metavar="READING",
              help="Reading of the treated water, to verify the treatment stated in the machine's profile.")
@_typed_options
@click.option("--calcium-fraction", metavar="VALUE", help="Calcium fraction of the hardness, 0 to 1.")
@click.option("--laboratory", is_flag=True, help="Typed values from a laboratory analysis.")
@click.option("--confidence", type=float, default=0.95, show_default=True,
              metavar="P",
              help="Smallest probability at which a value counts as within or out of limits; otherwise it is "
                   "inconclusive.")
@click.option("--guard-band", type=float, metavar="FACTOR",
              help="Guard band as a multiple of the expanded uncertainty (95 %), instead of --confidence.")
@click.option("--json", "json_lines", is_flag=True, help="Output as JSON, one object per sample and line.")
@click.option("--details", is_flag=True, help="All criteria, options, assumptions and cautions.")
@click.option("--prefer", type=click.Choice(["lowest-level", "closest"]),
              metavar="RULE",
              help="Rule of the recommendation: lowest-level (lowest level of intervention that is close enough) or "
                   "closest (water closest to the target) [default: the machine's profile, else lowest-level].")
@click.option("--margin", type=click.FloatRange(min=0.0), metavar="DIFFERENCES",
              help="Smallest gain that justifies a higher level of intervention, in noticeable differences "
                   f"[default: {MARGIN:g}].")
@click.option("--report", type=FILE, metavar="FILE.html",
              help="HTML page to write with verdicts, limits, saturation, options and plan of each sample.")
@click.option("--fail-on", type=click.Choice(["out-of-limits", "inconclusive"]),
              metavar="VERDICT",
              help=f"Verdict that gives exit status {FAILED_ON}: out-of-limits, or inconclusive (which includes "
                   "out-of-limits) [default: none].")
def assess(reading: Path | None, *, json_lines: bool, report: Path | None, fail_on: str | None,
           **options: Any) -> int:
    """Assess water for a machine and for brewing; recommend treatment.

    READING is the output of `stripread read --json`: a file, or - for standard input. Instead of a reading, or in
    addition to it, give values as options: --hardness "3.4 °dH" --ph "7.2 ± 0.2". The values are those of the feed
    water, before any treatment. A verdict changes the exit status only with --fail-on.
    """
    job = _job(options)
    samples = job.samples(reading)
    status = NO_RESULT if any(isinstance(s, NoResult) for s in samples) else DONE
    results = []
    for sample in with_progress(samples, "Assessing"):
        if isinstance(sample, NoResult):
            echo(f"{sample.name}: no result. {sample.reason}", err=json_lines)
            continue
        result = assessment_of(sample, job.terms, after=job.after)
        if json_lines:
            echo(msgspec.json.encode(result))
        else:
            echo_verdicts(as_text(result, details=options["details"]))
        results.append(result)
        status = max(status, _failed(result, fail_on))
    if report is not None and results:
        from stripread.report import write_assessment_reports

        write_assessment_reports(results, report)
    return status


@dataclass(frozen=True, slots=True)
class _Job:
    terms: AssessmentSetup
    typed: Sample | None
    after: Sample | None

    def samples(self, reading: Path | None) -> list[Sample | NoResult]:
        """The samples of the reading with the typed values added, or the typed values alone."""
        if reading is not None:
            return [s if isinstance(s, NoResult) or self.typed is None else s.joined(self.typed)
                    for s in _read(reading)]
        if self.typed is None:
            raise InputError("there is nothing to assess", where="assess", found="no reading and no values",
                             remedy='give a file of readings, or values: --hardness "60 mg/L CaCO3"')
        return [self.typed]


def _job(options: dict[str, Any]) -> _Job:
    texts = {a: text for a in _TYPED if (text := options[a.replace("-", "_")]) is not None}
    fraction, after = options["calcium_fraction"], options["after"]
    typed = None
    if texts or fraction is not None:
        typed = sample_from_typed(texts, laboratory=options["laboratory"], calcium_fraction=fraction)
    terms = AssessmentSetup(equipment=load_equipment(options["machine"]), limits=load_limits(options["limits"]),
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
        raise InputError("exactly one reading with a result is required", where=f"--after {path}",
                         found=first.reason if isinstance(first, NoResult) else f"{1 + len(more)} readings")
    return first


def _failed(result: Assessment, fail_on: str | None) -> int:
    bad: tuple[Verdict, ...] = ("out-of-limits", "inconclusive") if fail_on == "inconclusive" else ("out-of-limits",)
    return FAILED_ON if fail_on and any(result.any(v) for v in bad) else DONE
