"""What Python says to a bench, as the rows that a trial file would have.

So quantities, names, ranges and messages are the same in both.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from softctl.errors import Place, SoftctlError
from softctl.machine.document import Entry, Plain
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.trials import surroundings
from softctl.trial.fields import FieldReader
from softctl.trial.model import AnyRow, Parameters, Trial
from softctl.trial.names import Names
from softctl.trial.parse import GivenReader
from softctl.trial.play import Player
from softctl.trial.result import Outcome, Result, Verdict
from softctl.trial.rows import VERBS, read_row
from softctl.trial.run import charts
from softctl.trial.wording import moment

Time = str | float
"""A quantity such as `90 s`, or seconds."""
Given = Mapping[str, Mapping[str, Plain]]
"""Parameters by equipment, such as `{"T_101": {"initial_level": "0.4 m"}}`."""

_NOWHERE = Place("")
_SHOWN_SAMPLES = 5


class NotMetError(AssertionError):
    """An expectation that was not met; the text has what was expected and what was found."""

    def __init__(self, verdict: Verdict) -> None:
        self.verdict = verdict
        super().__init__("\n".join(_lines(verdict)))


class Orders:
    """Reads a bench's orders for one machine folder."""

    def __init__(self, folder: str | Path | MachineFolder | None) -> None:
        if not isinstance(folder, MachineFolder):
            folder = load_folder(Path(folder) if folder is not None else demo_folder())
        self.folder = folder
        self.around = surroundings(folder)
        self.names = Names(folder.machine, folder.application, self.around.plant)
        self._fields = FieldReader("", "", self.names, self.around.plant)

    def given(
        self, equipment: Given | None, settings: Mapping[str, Plain] | None
    ) -> tuple[Parameters, dict[str, bool | int | float | str]]:
        """What a bench begins with; raises SoftctlError."""
        parts: dict[str, Plain] = {}
        if equipment:
            parts["equipment"] = {name: dict(values) for name, values in equipment.items()}
        if settings:
            parts["set"] = dict(settings)
        found = GivenReader(self._fields, self.around).read(_entry(parts))
        self._raise()
        return found

    def row(self, verb: str, value: Plain, **keys: Plain) -> AnyRow:
        """One row; raises SoftctlError with everything that is wrong with it."""
        parts = {verb: value, **{key: one for key, one in keys.items() if one is not None}}
        row = read_row(self._fields, _entry(parts), VERBS)
        self._raise()
        assert row is not None, "a row without complaints is a row"
        return row

    def player(self, row: AnyRow, slack_ns: int = 0) -> Player:
        """What plays a row by itself."""
        trial = Trial("order", "", _NOWHERE, (row,))
        evaluator = self._fields.conditions.compile(trial.conditions())
        return Player(trial, evaluator, charts(self.around.application), slack_ns)

    def judge(self, result: Result) -> Verdict | None:
        """The verdict of a played row; raises NotMetError or, if it was stopped, SoftctlError."""
        verdict = result.verdicts[0] if result.verdicts else None
        if verdict is not None and verdict.outcome is Outcome.NOT_MET:
            raise NotMetError(verdict)
        if result.stopped:
            raise SoftctlError(result.stopped)
        return verdict

    def _raise(self) -> None:
        problems, self._fields.problems = self._fields.problems, []
        if problems:
            texts = [f"{p.message}; {p.hint}" if p.hint else p.message for p in problems]
            raise SoftctlError("\n".join(texts))


def time_text(time: Time | None) -> str | None:
    """A time as a trial file has it."""
    return f"{time!r} s" if isinstance(time, int | float) else time


def _entry(value: Any) -> Entry:
    """A Python value as a part of a document."""
    if isinstance(value, Mapping):
        parts = {str(key): _entry(one) for key, one in value.items()}
        return Entry(parts, _NOWHERE, dict.fromkeys(parts, _NOWHERE))
    if isinstance(value, list | tuple):
        return Entry(tuple(_entry(one) for one in value), _NOWHERE)
    return Entry(value, _NOWHERE)


def _lines(verdict: Verdict) -> list[str]:
    lines = [f"expected {verdict.expected}", f"found {verdict.found}"]
    window = verdict.window
    if window is None or not window.names:
        return lines
    lines.append("the last 10 s of " + ", ".join(window.names) + ":")
    samples = window.samples
    stride = max(1, (len(samples) - 1) // _SHOWN_SAMPLES)
    for time, values in samples[::-stride][::-1]:
        lines.append(f"  {moment(time)}: " + ", ".join(_shown(value) for value in values))
    return lines


def _shown(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
