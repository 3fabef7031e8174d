"""The README's walk-through for an HMI: its files, and its commands in their order."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shlex
import signal
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from programs import port_of, started
from pymodbus.exceptions import ConnectionException

from softctl.cli.app import main

pytestmark = pytest.mark.network

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SECTION = README.partition("\n## Your HMI in front of softctl in ten minutes\n")[2].partition(
    "\n## "
)[0]
COMMANDS = [shlex.split(line) for line in re.findall(r"^    (softctl .*)$", SECTION, re.MULTILINE)]
ANY_PORTS = ("--field-port", "0", "--hmi-port", "0")


def command(name: str, *more: str) -> list[str]:
    """The README's only command of that name, without its first word."""
    (found,) = [words[1:] for words in COMMANDS if words[1] == name]
    return [*found, *more]


def block(before: str, language: str) -> str:
    """The code block that follows some words."""
    rest = SECTION.partition(before)[2]
    found = re.search(rf"^```{language}\n(.*?)^```$", rest, re.MULTILINE | re.DOTALL)
    assert found is not None, before
    return found[1]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with the files that the reader has saved by then."""
    where = tmp_path_factory.mktemp("reader")
    (where / "my_map").mkdir()
    (where / "my_map" / "machine.yaml").write_text(block("`my_map/machine.yaml`:", "yaml"))
    (where / "my_map" / "main.st").write_text(block("`my_map/main.st`:", ""))
    (where / "hmi.py").write_text(block("save this as `hmi.py`", "python"))
    return where


@pytest.fixture
def here(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def softctl(here: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Runs a command in this process, which has loaded it all, and gives its exit code."""

    def run(words: list[str], typed: str = "") -> int:
        monkeypatch.setattr("sys.argv", ["softctl", *words])
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        with pytest.raises(SystemExit) as end:
            main()
        return int(end.value.code or 0)

    return run


def stand_in(folder: Path, port: int, rounds: int) -> None:
    """The README's HMI, at another port and without its waits, until its server is gone."""
    text = (folder / "hmi.py").read_text()
    for old, new in (("15021", str(port)), ("range(20)", f"range({rounds})"), ("0.5", "0.05")):
        assert text.count(old) == 1
        text = text.replace(old, new)
    with contextlib.suppress(ConnectionException):
        exec(compile(text, "hmi.py", "exec"), {})


def test_the_commands_are_those_of_the_walk_through() -> None:
    """From a machine to the point-to-point check, in this order."""
    order = ["new", "check", "points", "run", "audit", "drill", "checkout"]
    assert [words[1] for words in COMMANDS] == order


def test_a_machine_is_copied_a_map_checked_and_its_tags_written(
    here: Path, softctl: Callable[..., int]
) -> None:
    """Exit code 0 each; the tag list has a line for each point, at the pinned addresses."""
    assert [softctl(command(name)) for name in ("new", "check", "points")] == [0, 0, 0]
    assert (here / "my_skid" / "machine.yaml").is_file()
    head, *tags = (here / "tags.csv").read_text(encoding="utf-8").splitlines()
    assert head.startswith("name,table,address,number,bit,registers,type,")
    assert "LEVEL,input registers,40,30041,,2,REAL,,CDAB,,,,0,2,m,500,read," in tags
    assert any(tag.startswith("START,coils,4,00005,") for tag in tags)


def test_it_runs_and_the_audit_says_what_the_readme_shows(here: Path) -> None:
    """The stand-in's mistake, and the point that it therefore never reads; exit code 1."""
    with started(*command("run", *ANY_PORTS)) as program:
        program.wait_for("field link healthy")
        assert program.stop() == 0
    with started(*command("audit", *ANY_PORTS)) as program:
        port = port_of(program.wait_for("ready")["hmi"])
        program.wait_for("field link healthy")
        stand_in(here, port, 20)
        program.process.send_signal(signal.SIGINT)
        assert program.process.wait(timeout=30) == 1
    findings = json.loads((here / "audit.json").read_text())["findings"]
    shown = re.findall(r"^(ERROR|WARNING|ADVICE)  (.*): (.*)$", SECTION, re.MULTILINE)
    assert [(f["severity"].upper(), f["kind"], f["subject"]) for f in findings] == shown
    for finding in findings:
        assert finding["message"] in SECTION
        assert finding["advice"] in SECTION
    assert findings[0]["frame"][6:] in SECTION
    assert "off by one" in (here / "audit.html").read_text(encoding="utf-8")


def test_the_drills_run_with_the_stand_in(here: Path) -> None:
    """One short drill in the place of all: the stand-in polls again, floods not."""
    (here / "plan.yaml").write_text("drills: [{drill: busy, for: 300 ms}]\n")
    quick = ("--plan", "plan.yaml", "--before", "1 s", "--within", "5 s", "--unattended")
    with started(*command("drill", *ANY_PORTS, *quick)) as program:
        port = port_of(program.wait_for("ready")["hmi"])
        hmi = threading.Thread(target=stand_in, args=(here, port, 10_000), daemon=True)
        hmi.start()
        assert program.process.wait(timeout=40) == 0
    hmi.join(30)
    (result,) = json.loads((here / "drills.json").read_text())["drills"]
    assert (result["drill"], result["verdict"]) == ("busy", "pass")
    assert (here / "drills.html").is_file()


def test_the_checkout_starts_and_goes_on_another_time(
    here: Path, softctl: Callable[..., int]
) -> None:
    """`quit` at the first question leaves a record, and exit code 1: not all has passed."""
    words = command("checkout", "--hmi-port", "0", "--state", str(here / "state"))
    assert softctl(words, typed="quit\n") == 1
    assert "my_map" in (here / "checkout.html").read_text(encoding="utf-8")


def test_every_link_inside_the_readme_leads_to_a_heading() -> None:
    """Anchors are the headings in lower case, without marks, with hyphens for spaces."""
    headings = re.findall(r"^#+ (.*)$", re.sub(r"```.*?```", "", README, flags=re.DOTALL), re.M)
    anchors = {re.sub(r"[^\w\- ]", "", one.lower()).replace(" ", "-") for one in headings}
    links = re.findall(r"\]\(#([^)]*)\)", README)
    assert len(links) > 20
    assert sorted(set(links) - anchors) == []
