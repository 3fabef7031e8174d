"""How far a trial is, row by row, as plain data for whoever watches it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from softctl.trial.model import Trial
from softctl.trial.play import Player
from softctl.trial.wording import done, expected

_SECOND_NS = 1_000_000_000


def progress(trial: Trial, player: Player) -> dict[str, Any]:
    """Time in seconds, and each row with its time, verdict and finding as far as there are some.

    A deed has no verdict, an expectation none until it is settled.
    """
    return {"at_s": player.now_ns / _SECOND_NS, "rows": list(_rows(trial, player))}


def _rows(trial: Trial, player: Player) -> Iterator[dict[str, Any]]:
    settled = player.settled
    deeds = {deed.place: deed.at_ns for deed in player.deeds}
    for number, row in enumerate(trial.rows):
        verdict = settled.get(number)
        at_ns = deeds.get(row.place) if verdict is None else verdict.at_ns
        yield {
            "text": row.text or expected(row) or done(row),
            "at_s": None if at_ns is None else at_ns / _SECOND_NS,
            "verdict": None if verdict is None else verdict.outcome.value,
            "found": "" if verdict is None else verdict.found,
        }
