"""The command that runs campaigns: many trials with drawn faults, values and times."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from softctl.runtime.campaigns import Finding, Outcome, Run

FAILURES = 1


def campaign(
    folder: Annotated[
        Path | None, typer.Argument(metavar="DIR", help="Machine folder; the demo if left out.")
    ] = None,
    only: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Only this campaign; repeatable.")
    ] = None,
    runs: Annotated[int, typer.Option(min=1, help="How many runs of each campaign.")] = 1000,
    seed: Annotated[int, typer.Option(help="Another seed draws other runs.")] = 1,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes; as many as there are processors.")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Let the workers of this Dask scheduler do the runs (extra `campaign`).",
        ),
    ] = None,
    found: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Write the shortest trial for each finding here."),
    ] = None,
    json_: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the result as JSON.")
    ] = None,
    explore: Annotated[
        bool,
        typer.Option(
            help="Instead change the programs' inputs at random, without a plant, against the"
            " guards; where the inputs are few, in every way there is.",
        ),
    ] = False,
    scans: Annotated[
        int, typer.Option(min=1, help="With --explore: how many scans at most.")
    ] = 1_000_000,
    throughout: Annotated[
        bool,
        typer.Option(help="With --explore: also against what trials declare throughout."),
    ] = False,
) -> None:
    """Run the campaigns that a machine folder has in campaigns/*.yaml.

    Each run draws what is given and what happens. The same seed finds the same, however
    many processes share the runs. Ends with 1 when something went wrong in a run, or when
    --explore found something.
    """
    from softctl.errors import SoftctlError
    from softctl.runtime.campaigns import find_campaigns, run_campaign, usable_workers
    from softctl.runtime.folder import demo_folder

    path = folder or demo_folder()
    if explore:
        if only or scheduler or workers:
            raise SoftctlError(
                "expected --explore without --only, --workers and --scheduler, got both"
            )
        _explore(path, seed, scans, throughout, found, json_)
        return
    if throughout:
        raise SoftctlError("expected --throughout with --explore, got it alone")
    chosen = find_campaigns(path, only or ())
    if not chosen:
        raise SoftctlError(f"expected campaigns in {path / 'campaigns'}, got none")
    outcomes = []
    for where in chosen:
        with _Progress(where[1], runs) as progress:
            outcome = run_campaign(
                path,
                where,
                runs=runs,
                seed=seed,
                workers=min(workers or usable_workers(), runs),
                on_run=progress.add,
                scheduler=scheduler or "",
            )
        outcomes.append(outcome)
        _print(outcome)
        for finding in outcome.findings:
            _write(outcome, finding, found)
    if json_ is not None:
        text = json.dumps([asdict(outcome) for outcome in outcomes], indent=2, ensure_ascii=False)
        _save(json_, text + "\n")
    if any(outcome.findings for outcome in outcomes):
        raise typer.Exit(FAILURES)


def _explore(
    path: Path, seed: int, scans: int, throughout: bool, found: Path | None, json_: Path | None
) -> None:
    from softctl.cli.exploration import change_lines, exploration_json, run_exploration

    explored = run_exploration(path, seed=seed, scans=scans, throughout=throughout)
    for number, shown in enumerate(explored.shown if found is not None else (), 1):
        assert found is not None
        file = found / f"explored_{number}.{'yaml' if shown.trial else 'txt'}"
        _save(file, shown.trial or "\n".join(change_lines(shown)) + "\n")
        typer.echo(f"{number}. written to {file}")
    if json_ is not None:
        _save(json_, exploration_json(explored))
    if explored.shown:
        raise typer.Exit(FAILURES)


class _Progress:
    """One line on a terminal: how many runs, how fast, how many went wrong."""

    def __init__(self, name: str, total: int) -> None:
        import time

        from rich.console import Console

        self._clock = time.monotonic
        self._console = Console(stderr=True, highlight=False)
        self._name, self._total = name, total
        self._done = self._failed = 0
        self._simulated_ns = 0
        self._began_s = self._drawn_s = self._clock()

    def __enter__(self) -> _Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self._console.is_terminal:
            self._console.print(" " * 78, end="\r")

    def add(self, run: Run) -> None:
        """A run has ended."""
        self._done += 1
        self._failed += bool(run.failure)
        self._simulated_ns += run.duration_ns
        now_s = self._clock()
        if self._console.is_terminal and now_s - self._drawn_s > 0.2:
            self._drawn_s = now_s
            rate = self._simulated_ns / 1e9 / (now_s - self._began_s)
            text = f"{self._name}: {self._done} of {self._total} runs, {self._failed} went wrong"
            self._console.print(f"{text}, {rate:.0f} s a s".ljust(78), end="\r")


def _print(outcome: Outcome) -> None:
    rate = outcome.simulated_s / outcome.wall_s
    typer.echo(
        f"{outcome.campaign}: {outcome.runs} runs, seed {outcome.seed}, "
        f"{outcome.simulated_s:.0f} s of machine time, {rate:.0f} times as fast as the machine"
    )
    for finding in outcome.findings:
        count = len(finding.runs)
        typer.echo(f"  went wrong in {count} of {outcome.runs} runs: {finding.failure}")
        typer.echo(
            f"    first in run {finding.runs[0]}; the shortest trial has {finding.rows} events"
        )
    if not outcome.findings:
        typer.echo("  nothing went wrong")


def _write(outcome: Outcome, finding: Finding, folder: Path | None) -> None:
    if folder is None:
        for line in finding.trial.splitlines():
            typer.echo(f"      {line}")
        return
    path = folder / f"{outcome.campaign}_{finding.runs[0]}.yaml"
    _save(path, finding.trial)
    typer.echo(f"    written to {path}")


def _save(path: Path, text: str) -> None:
    from softctl.errors import SoftctlError

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SoftctlError(f"expected to write {path}, got {error.strerror or error}") from error
