"""The command that runs a machine's written trials."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from softctl.cli.options import FieldPort, Html, Pdf

if TYPE_CHECKING:
    from softctl.runtime.parties import Parties
    from softctl.runtime.trials import Chosen, TrialFolder
    from softctl.trial.report import Report
    from softctl.trial.result import Result

FAILURES = 1
NOT_RUN = 3


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
    controller: Annotated[
        str | None,
        typer.Option(
            metavar="HOST:PORT",
            help="With --live: somebody else's controller, with its HMI map there; "
            "'unmapped' for one without a map.",
        ),
    ] = None,
    field: Annotated[
        str | None,
        typer.Option(
            metavar="HOST:PORT", help="With --live: somebody else's field instead of ours."
        ),
    ] = None,
    drive: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HOST",
            help="Confirm that the controller or field at this host, which is not loopback and "
            "which the machine file names too, may be driven; repeatable.",
        ),
    ] = None,
    field_port: FieldPort = None,
    rest: Annotated[
        list[str] | None,
        typer.Option(
            metavar="COMMAND",
            help="Given before and after each trial to bring --controller to rest; repeatable.",
        ),
    ] = None,
    prepare: Annotated[
        str | None,
        typer.Option(
            metavar="LINE",
            help="Run this command line before each trial, such as one that restarts what is "
            "not ours.",
        ),
    ] = None,
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

    Ends with 1 when an expectation is not met, with 2 when a file has errors or a party
    does not come, and with 3 when nothing failed and something was not run.
    """
    from softctl.cli import trial_output as output
    from softctl.cli.trial_parties import Given, read_parties
    from softctl.errors import SoftctlError
    from softctl.runtime.folder import demo_folder, load_folder
    from softctl.runtime.records import RecordFiles
    from softctl.runtime.trials import load_trials, run_mutants, run_trials, with_marks

    files = RecordFiles(json=json_, junit=junit, html=html, pdf=pdf)
    files.require_writable()
    if live and (coverage or mutate):
        raise SoftctlError("expected --coverage and --mutate without --live: they change programs")
    given = Given(controller, field, tuple(drive or ()), field_port, tuple(rest or ()), prepare)
    loaded, tracker = load_folder(folder or demo_folder()), None
    parties = read_parties(given, loaded.machine, speed, live=live)
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
            report = _run_live(found, chosen, progress.add, speed, parties)
        else:
            report = run_trials(found, chosen, progress.add, tracker)
        if mutate and not report.failures:
            mutation = run_mutants(found, chosen, progress.add_mutants)
            report = replace(report, mutation=mutation)
    output.write_files(files, report)
    output.print_report(report, as_json=as_ is Form.JSON, details=details)
    if report.failures:
        raise typer.Exit(FAILURES)
    if not all(result.passed for result in report.results):
        raise typer.Exit(NOT_RUN)


def _run_live(
    found: TrialFolder,
    chosen: Sequence[Chosen],
    on_result: Callable[[Result], None],
    speed: float,
    parties: Parties,
) -> Report:
    from softctl.runtime.live_trials import run_live_trials
    from softctl.runtime.loop import run_loop

    return run_loop(run_live_trials(found, chosen, on_result, speed, parties))
