"""Trial files: read, checked, every error with its place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from softctl.errors import Place, Problem, ProblemsError
from softctl.logic import Application, Condition, ConditionReader, Evaluator, Source
from softctl.machine import Equipment, Machine, Scalar, Value
from softctl.machine.document import Entry, read_document, to_scalar
from softctl.machine.reader import in_file_order
from softctl.plant import Plant, check_plant
from softctl.trial.fields import FieldReader
from softctl.trial.model import Parameters, Trial, Watch
from softctl.trial.names import Names
from softctl.trial.rows import VERBS, WATCHES, read_row, read_settings
from softctl.values.names import explain_bad_name

GUARDS = "GUARDS_BROKEN"


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The machine that trials are about; `blocks` are the ST sources of its own equipment."""

    machine: Machine
    application: Application
    plant: Plant
    blocks: Sequence[Source] = ()


@dataclass(frozen=True, slots=True)
class TrialFile:
    """The trials of one file, with what their conditions are made from."""

    file: str
    trials: tuple[Trial, ...]
    names: Names
    conditions: ConditionReader

    def evaluator(self, trial: Trial, more: Sequence[Condition] = ()) -> Evaluator:
        """The conditions of one trial, ready to run."""
        return self.conditions.compile([*trial.conditions(), *more])


def parse_trials(text: str, file: str, around: Surroundings) -> TrialFile:
    """The trials of one file; raises ProblemsError with every error, in order of lines."""
    names = Names(around.machine, around.application, around.plant)
    fields = FieldReader(file, text, names, around.plant)
    try:
        document = read_document(text, file, fields.problems, "'about:' and 'trials:'")
    except ProblemsError as error:
        raise ProblemsError(in_file_order(error.problems, text)) from None
    trials = tuple(_TrialReader(fields, around).file(document))
    if fields.problems:
        raise ProblemsError(in_file_order(fields.problems, text))
    return TrialFile(file, trials, names, fields.conditions)


def read_trial(
    fields: FieldReader, around: Surroundings, name: str, entry: Entry, place: Place
) -> Trial:
    """One trial from its part of a document; what is wrong is among the fields' problems."""
    return _TrialReader(fields, around).trial(name, entry, place, "")


def with_parameters(machine: Machine, parameters: Parameters) -> Machine:
    """The machine with other parameters of some equipment."""
    if not parameters:
        return machine
    equipment = {
        name: _changed(piece, parameters.get(name, {})) for name, piece in machine.equipment.items()
    }
    return replace(machine, equipment=equipment)


def parameters_key(parameters: Parameters) -> str:
    """The same text for the same values, wherever they are written."""
    return repr([(n, k, v.value) for n, keys in parameters.items() for k, v in keys.items()])


def _changed(piece: Equipment, parameters: Mapping[str, Scalar]) -> Equipment:
    return replace(piece, parameters={**piece.parameters, **parameters})


class GivenReader:
    """Reads what a trial begins with."""

    def __init__(self, fields: FieldReader, around: Surroundings) -> None:
        self._fields = fields
        self._around = around
        self._good: set[str] = set()

    def read(self, entry: Entry) -> tuple[Parameters, dict[str, Value]]:
        """Parameters of equipment; set points and held commands."""
        fields = self._fields
        parts = fields.mapping(entry, "equipment: and set:")
        if parts:
            fields.check_keys(entry, ("equipment", "set"), "a key of what is given")
        parameters: dict[str, dict[str, Scalar]] = {}
        if "equipment" in parts:
            parameters = self._equipment(parts["equipment"])
        settings = read_settings(fields, parts["set"]) if "set" in parts else {}
        return parameters, settings

    def _equipment(self, entry: Entry) -> dict[str, dict[str, Scalar]]:
        fields = self._fields
        found: dict[str, dict[str, Scalar]] = {}
        for name, values in fields.mapping(entry, "equipment by name").items():
            known = fields.equipment(Entry(name, entry.keys[name]))
            parts = fields.mapping(values, "parameters, such as {initial_level: 0.4 m}")
            if known and parts:
                found[known] = {key: to_scalar(value) for key, value in parts.items()}
        if found:
            fields.problems += self._plant_problems(found)
        return found

    def _plant_problems(self, parameters: Parameters) -> list[Problem]:
        """What the plant says of the parameters that this file gives."""
        key = parameters_key(parameters)
        if key in self._good:
            return []
        machine = with_parameters(self._around.machine, parameters)
        problems = check_plant(machine, self._around.blocks)
        here = self._fields.file
        seen = {problem.place for problem in self._fields.problems}
        mine = [p for p in problems if p.place.file == here and p.place not in seen]
        if not mine:
            self._good.add(key)
        return mine


class _TrialReader:
    def __init__(self, fields: FieldReader, around: Surroundings) -> None:
        self._fields = fields
        self._around = around
        self._given = GivenReader(fields, around)

    def file(self, document: Entry) -> list[Trial]:
        fields = self._fields
        fields.check_keys(document, ("about", "trials"), "a key of a trial file")
        parts = fields.mapping(document, "a trial file")
        about = fields.text(parts["about"]) if "about" in parts else ""
        if "trials" not in parts:
            fields.complain("expected the key 'trials' in the file, got none", document.place)
            return []
        trials = fields.mapping(parts["trials"], "trials by name")
        return [
            self.trial(name, entry, parts["trials"].keys[name], about)
            for name, entry in trials.items()
        ]

    def trial(self, name: str, entry: Entry, place: Place, about: str) -> Trial:
        """One trial; what it makes of complaints is of no use."""
        fields = self._fields
        bad = explain_bad_name(name)
        if bad:
            fields.complain(bad, place)
        keys = fields.mapping(entry, "a trial with the keys text and procedure")
        if keys:
            known = ("text", "given", "throughout", "procedure")
            fields.check_keys(entry, known, "a key of a trial")
        if keys and "procedure" not in keys:
            fields.complain(f"expected the key 'procedure' in {name}, got none", place)
        text = fields.text(keys["text"]) if "text" in keys else ""
        equipment, settings = self._given.read(keys["given"]) if "given" in keys else ({}, {})
        rows = [
            read_row(fields, row, verbs)
            for key, verbs in (("throughout", WATCHES), ("procedure", VERBS))
            if key in keys
            for row in fields.items(keys[key], "a list of rows, each beginning with '- '")
        ]
        good = (*self._guards(place), *(row for row in rows if row is not None))
        return Trial(name, text, place, good, equipment, settings, about)

    def _guards(self, place: Place) -> Iterator[Watch]:
        """The guards of the machine file hold in every trial."""
        if not self._around.machine.guards:
            return
        fields = self._fields
        condition = fields.conditions.read(Source(fields.file, f"{GUARDS} > 0"), fields.problems)
        text = "No guard of the machine file is broken"
        yield Watch(condition=condition, wanted=False, place=place, text=text)
