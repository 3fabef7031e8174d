"""The command that runs a machine's written trials."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from softctl.cli.options import Html, Pdf

if TYPE_CHECKING:
    from softctl.runtime.trials import Chosen, TrialFolder
    from softctl.trial.report import Report
    from softctl.trial.result import Result

FAILURES = 1


class Form(StrEnum):
    """How the result is written to standard output."""

    TABLE = "table"
    JSON = "json"


def trial(
    folder: Annotated[
        Path | None, typer.Argument(metavar="DIR", help="Machine folder; the demo if left out.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help="Only this trial, or the trials of this file; repeatable."
        ),
    ] = None,
    live: Annotated[
        bool,
        typer.Option("--live", help="Run over Modbus/TCP in real time instead of in virtual time."),
    ] = False,
    speed: Annotated[
        float,
        typer.Option(min=0.01, max=1000.0, help="With --live: machine time against wall time."),
    ] = 1.0,
    coverage: Annotated[
        bool,
        typer.Option(
            "--coverage", help="Tell what of the programs, points and alarms no trial touched."
        ),
    ] = False,
    mutate: Annotated[
        bool,
        typer.Option(
            "--mutate", help="Change the programs, one thing at a time; tell what no trial notices."
        ),
    ] = False,
    details: Annotated[
        bool, typer.Option("--details", help="Show every expectation, not only those not met.")
    ] = False,
    as_: Annotated[Form, typer.Option("--as", help="Table, or JSON.")] = Form.TABLE,
    json_: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the record as JSON too.")
    ] = None,
    junit: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the verdicts as JUnit XML too.")
    ] = None,
    html: Html = None,
    pdf: Pdf = None,
    list_: Annotated[
        bool, typer.Option("--list", help="List the trials, and run nothing.")
    ] = False,
) -> None:
    """Run the trials that a machine folder has in trials/*.yaml.

    Ends with 1 when an expectation is not met and with 2 when a file has errors.
    """
    from softctl.cli import trial_output as output
    from softctl.errors import SoftctlError
    from softctl.runtime.folder import demo_folder, load_folder
    from softctl.runtime.records import RecordFiles
    from softctl.runtime.trials import load_trials, run_mutants, run_trials, with_marks

    files = RecordFiles(json=json_, junit=junit, html=html, pdf=pdf)
    files.require_writable()
    if live and (coverage or mutate):
        raise SoftctlError("expected --coverage and --mutate without --live: they change programs")
    loaded, tracker = load_folder(folder or demo_folder()), None
    if coverage:
        loaded, tracker = with_marks(loaded)
    found = load_trials(loaded)
    chosen = found.choose(only or ())
    if list_:
        output.print_list(chosen)
        return
    if not chosen:
        raise SoftctlError(f"expected trials in {found.folder.path / 'trials'}, got none")
    with output.Progress(len(chosen)) as progress:
        if live:
            report = _run_live(found, chosen, progress.add, speed)
        else:
            report = run_trials(found, chosen, progress.add, tracker)
        if mutate and not report.failures:
            mutation = run_mutants(found, chosen, progress.add_mutants)
            report = replace(report, mutation=mutation)
    output.write_files(files, report)
    output.print_report(report, as_json=as_ is Form.JSON, details=details)
    if report.failures:
        raise typer.Exit(FAILURES)


def _run_live(
    found: TrialFolder,
    chosen: Sequence[Chosen],
    on_result: Callable[[Result], None],
    speed: float,
) -> Report:
    from softctl.runtime.live_trials import run_live_trials
    from softctl.runtime.loop import run_loop

    return run_loop(run_live_trials(found, chosen, on_result, speed))
