"""What `softctl campaign --explore` does and says."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from softctl.runtime.explorations import Explored, Shown
    from softctl.trial.exploration import Exploration

CAUTION = (
    "An exploration is of the program alone, from a cold start and on a healthy field link;"
    " it makes nothing a safety function."
)


def run_exploration(folder: Path, *, seed: int, scans: int, throughout: bool) -> Explored:
    """Explore a folder, with a line of progress on a terminal, and print what was found."""
    from rich.console import Console

    from softctl.runtime.explorations import explore_folder

    console = Console(stderr=True, highlight=False)

    def tell(done: int) -> None:
        if console.is_terminal:
            console.print(f"{done} of {scans} scans".ljust(78), end="\r")

    explored = explore_folder(folder, seed=seed, scans=scans, throughout=throughout, on_scans=tell)
    _print(explored)
    return explored


def exploration_json(explored: Explored) -> str:
    """The result as JSON."""
    found = explored.exploration
    document = {
        "machine": found.machine,
        "seed": found.seed,
        "guards": found.guards,
        "left_out": [asdict(one) for one in found.left_out],
        "is_proof": not found.no_proof,
        "no_proof": found.no_proof,
        "scans": found.scans,
        "states": found.states,
        "findings": [_finding(one) for one in explored.shown],
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def change_lines(shown: Shown) -> list[str]:
    """The input changes of a discovery, one a line."""
    lines = [
        f"scan {change.scan}: {change.name} := {_value(change.value)}"
        for change in shown.discovery.changes
    ]
    return [*lines, f"scan {shown.discovery.breach.scan}: {shown.discovery.breach.text}"]


def _finding(shown: Shown) -> dict[str, Any]:
    breach = shown.discovery.breach
    return {
        "name": breach.key,
        "text": breach.text,
        "scan": breach.scan,
        "changes": [asdict(change) for change in shown.discovery.changes],
        "trial": shown.trial,
    }


def _value(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.7g}"
    return str(value).upper() if isinstance(value, bool) else str(value)


def _print(explored: Explored) -> None:
    found = explored.exploration
    typer.echo(f"{found.machine}: {_headline(found, explored.wall_s)}")
    for one in found.left_out:
        typer.echo(f"  not looked at: {one.name} ({one.why})")
    if not found.guards:
        typer.echo("  there is no guard to look at: only a program that stops would be found")
    for number, shown in enumerate(explored.shown, 1):
        count = len(shown.discovery.changes)
        typer.echo(f"  {number}. {shown.discovery.breach.text}")
        typer.echo(f"    shortest list of changes that was found ({count}); all else as at rest:")
        for line in change_lines(shown):
            typer.echo(f"      {line}")
    if not explored.shown:
        typer.echo("  nothing went wrong" if found.no_proof else "  no guard can be broken")
    typer.echo(CAUTION)


def _headline(found: Exploration, wall_s: float) -> str:
    guards = f"{len(found.guards)} guard{'' if len(found.guards) == 1 else 's'}"
    if not found.no_proof:
        return f"a proof for {guards}: all {found.states} states, {found.scans} scans"
    rate = found.scans / wall_s if wall_s > 0 else 0.0
    return (
        f"no proof ({found.no_proof}), {guards}: {found.scans} scans at random, "
        f"seed {found.seed}, {rate:.0f} scans a second"
    )
