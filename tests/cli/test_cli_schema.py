"""The JSON Schemas that editors get: what is written here passes, mistakes of shape do not."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML
from typer.testing import CliRunner

from softctl.cli.app import app
from softctl.cli.schema import FileKind
from softctl.trial.rows import VERBS
from softctl.wire.sections import EFFECTS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
FILES = {
    FileKind.MACHINE: "*/machine.yaml",
    FileKind.TRIALS: "*/trials/*.yaml",
    FileKind.CAMPAIGNS: "*/campaigns/*.yaml",
    FileKind.WIRE_FAULTS: "*/wire_faults.yaml",
}


def read(text: str) -> Any:
    return YAML(typ="safe", pure=True).load(text)


@pytest.fixture(scope="module")
def check() -> Callable[[FileKind, Any], list[str]]:
    """The complaints about a document of a kind, from a schema as the command prints it."""
    validators: dict[FileKind, Draft202012Validator] = {}

    def complaints(kind: FileKind, document: Any) -> list[str]:
        if kind not in validators:
            done = CliRunner().invoke(app, ["schema", kind.value])
            assert done.exit_code == 0, done.output
            schema = json.loads(done.output)
            Draft202012Validator.check_schema(schema)
            validators[kind] = Draft202012Validator(schema)
        return [error.message for error in validators[kind].iter_errors(document)]

    return complaints


@pytest.mark.parametrize("kind", FILES, ids=str)
def test_every_file_in_configs_passes(check: Callable[..., list[str]], kind: FileKind) -> None:
    """An editor finds nothing wrong with what comes with softctl."""
    paths = sorted((ROOT / "configs").glob(FILES[kind]))
    assert paths
    for path in paths:
        assert check(kind, read(path.read_text(encoding="utf-8"))) == [], path


@pytest.mark.parametrize(
    ("kind", "start"),
    [
        (FileKind.TRIALS, "trials:\n"),
        (FileKind.CAMPAIGNS, "campaigns:\n"),
        (FileKind.DRILLS, "drills:\n"),
        (FileKind.WIRE_FAULTS, "seed: "),
    ],
)
def test_the_readmes_examples_pass(
    check: Callable[..., list[str]], kind: FileKind, start: str
) -> None:
    """Each kind has an example in the README."""
    blocks = re.findall(r"^```yaml\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    found = [block for block in blocks if f"\n{start}" in f"\n{block}"]
    assert found
    for block in found:
        assert check(kind, read(block)) == [], block


TRIAL = "trials: {{t: {{procedure: [{row}]}}}}"
EVENT = "campaigns: {{c: {{duration: 5 min, events: [{row}]}}}}"
FAULT = "hmi: {{f: {row}}}"


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (FileKind.TRIALS, TRIAL.format(row="{command: START, wth: 5 s}")),
        (FileKind.TRIALS, TRIAL.format(row="{comand: START}")),
        (FileKind.TRIALS, TRIAL.format(row="{wait: 5}")),
        (FileKind.TRIALS, TRIAL.format(row="{wait until: P_101}")),
        (FileKind.TRIALS, TRIAL.format(row="{sequence: Filling, within: 5 s}")),
        (FileKind.TRIALS, TRIAL.format(row="{alarm: LAH_101, is: loud}")),
        (FileKind.TRIALS, TRIAL.format(row="{set: [STIR_TIME, 5 s]}")),
        (FileKind.TRIALS, "trials: {t: {text: nothing done}}"),
        (FileKind.TRIALS, "trial: {}"),
        (FileKind.CAMPAIGNS, EVENT.format(row="{expect: P_101}")),
        (FileKind.CAMPAIGNS, EVENT.format(row="{fault: P stuck, for: {betwen: [1 s, 2 s]}}")),
        (FileKind.CAMPAIGNS, EVENT.format(row="{fault: P stuck, for: {between: [1 s]}}")),
        (FileKind.CAMPAIGNS, "campaigns: {c: {events: []}}"),
        (FileKind.WIRE_FAULTS, FAULT.format(row="{effect: dely, by: 1 s}")),
        (FileKind.WIRE_FAULTS, FAULT.format(row="{effect: delay}")),
        (FileKind.WIRE_FAULTS, FAULT.format(row="{effect: cut, by: 1 s}")),
        (FileKind.WIRE_FAULTS, FAULT.format(row="{effect: stop heartbeat, point: LT_101}")),
        (FileKind.WIRE_FAULTS, "hmj: {}"),
        (FileKind.DRILLS, "drills: [cot]"),
        (FileKind.DRILLS, "drills: []"),
        (FileKind.DRILLS, "drills: [{drill: cut, fr: 5 s}]"),
    ],
)
def test_mistakes_of_shape_are_marked(
    check: Callable[..., list[str]], kind: FileKind, text: str
) -> None:
    """Wrong words, missing keys, unknown keys, wrong shapes."""
    assert check(kind, read(text))


@pytest.mark.parametrize(
    "row",
    [
        "{fault: LSH_101 stuck, chance: 20 %, at: {between: [0 s, 6 min]}, for: {about: 2 min}}",
        "{command: [START, STOP], every: {normal: [2 min, 5 s]}}",
        "{set: {STIR_TIME: {one of: [5 s, 20 s]}}, at: 5 s, text: another time}",
    ],
)
def test_any_value_of_an_event_may_be_drawn(check: Callable[..., list[str]], row: str) -> None:
    """Plain values and draws beside each other."""
    assert check(FileKind.CAMPAIGNS, read(EVENT.format(row=row))) == []


def test_every_kind_of_row_and_effect_is_known() -> None:
    """A new verb or effect is in the schema without anybody's thinking of it."""
    trials = CliRunner().invoke(app, ["schema", "trials"]).output
    assert all(f'"{verb}": {{' in trials for verb in VERBS)
    wire = CliRunner().invoke(app, ["schema", "wire-faults"]).output
    assert all(f'"{effect}"' in wire for effect in EFFECTS)


def test_it_is_written_to_a_file(tmp_path: Path) -> None:
    """`--to` takes the place of the terminal."""
    where = tmp_path / "machine.schema.json"
    done = CliRunner().invoke(app, ["schema", "machine", "--to", str(where)])
    assert done.output == f"{where}: schema of machine files\n"
    assert "points" in json.loads(where.read_text(encoding="utf-8"))["properties"]
