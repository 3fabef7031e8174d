"""Commands that start and end: what they print and how they fail."""

from __future__ import annotations

import csv
import io
import json
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from programs import ended

DEMO = Path(__file__).parents[2] / "configs" / "glasshouse_feed"


def process(*arguments: str) -> subprocess.CompletedProcess[str]:
    """A command as a process of its own, for what is about that."""
    return subprocess.run(
        [sys.executable, "-m", "softctl", *arguments], capture_output=True, text=True, timeout=60
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy = tmp_path / "machine"
    shutil.copytree(DEMO, copy)
    return copy


def test_check_of_the_demo_finds_nothing() -> None:
    """The demo has no error and no warning."""
    result = process("check", str(DEMO))
    assert result.returncode == 0, result.stderr
    assert "glasshouse_feed: no errors" in result.stdout
    assert result.stderr == ""


def test_check_prints_errors_of_all_three_parts_at_once(folder: Path) -> None:
    """Errors in the machine's equipment, its points and its program come in one go."""
    machine = folder / "machine.yaml"
    machine.write_text(
        machine.read_text()
        .replace("chart: Feed", "chart: Fede")
        .replace("type: agitator", "type: agitater")
    )
    program = folder / "feed.st"
    program.write_text(program.read_text().replace("P_102(N);", "P_1O2(N);"))
    result = ended("check", str(folder))
    assert result.returncode == 2
    assert "agitater" in result.stderr
    assert "P_1O2" in result.stderr
    assert "feed.st:" in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    ("edit", "file", "words"),
    [
        (("PROGRAM Feed", "PROGRAM"), "feed.st", "expected"),
        ((":= LSH_101;", ":= LSH_1O1;"), "feed.st", "LSH_101"),
        ((":= LSH_101;", ":= LT_101;"), "feed.st", "BOOL"),
        (("FROM Idle TO Closing", "FROM Idle TO Closign"), "feed.st", "Closing"),
        (("BATCHES + 1", "BATCHES + TRUE"), "feed.st", "BOOL"),
        (("BATCHES := BATCHES + 1", "LSL_101 := TRUE"), "feed.st", "LSL_101"),
    ],
)
def test_a_bad_program_is_shown_with_its_place(
    folder: Path, edit: tuple[str, str], file: str, words: str
) -> None:
    """Each error of a program names file, line and column and shows the line with a caret."""
    path = folder / file
    text = path.read_text()
    assert edit[0] in text
    path.write_text(text.replace(*edit))
    result = ended("check", str(folder))
    assert result.returncode == 2
    assert words in result.stderr
    assert "^" in result.stderr
    assert "Traceback" not in result.stderr


def test_a_program_that_does_not_end_says_where_the_file_ends(folder: Path) -> None:
    """At the end of a file there is no line to show, but a place there is."""
    path = folder / "feed.st"
    path.write_text(path.read_text().replace("END_PROGRAM", ""))
    result = ended("check", str(folder))
    assert result.returncode == 2
    assert "expected a statement or END_PROGRAM, got the end of the file" in result.stderr
    assert "feed.st:" in result.stderr


def test_a_missing_program_file_is_named_with_its_place(folder: Path) -> None:
    """A program that the machine file names and that is not there is an error at that name."""
    (folder / "feed.st").unlink()
    result = ended("check", str(folder))
    assert result.returncode == 2
    assert "expected an ST file" in result.stderr
    assert "machine.yaml:" in result.stderr


def test_a_folder_without_a_machine_file_is_refused(tmp_path: Path) -> None:
    """Any other folder is no machine folder."""
    result = ended("run", str(tmp_path))
    assert result.returncode == 2
    assert "expected a machine folder with machine.yaml" in result.stderr


def test_points_as_csv_and_json_hold_the_same_rows() -> None:
    """The two machine-readable forms agree, and number is address plus one in its table."""
    rows = json.loads(ended("points", "--as", "json").stdout)
    lines = list(csv.DictReader(io.StringIO(ended("points", "--as", "csv").stdout)))
    assert [line["name"] for line in lines] == [row["name"] for row in rows]
    assert all(int(row["number"]) % 10_000 == row["address"] + 1 for row in rows)


def test_points_as_a_table_names_both_servers() -> None:
    """The table for people shows both servers and every point."""
    output = ended("points").stdout
    assert "field server" in output
    assert "hmi server" in output
    assert "LSH_101" in output


def test_a_port_in_use_is_a_clear_error() -> None:
    """Two servers on one port: the second says so and ends with exit code 2."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        result = ended("run", "--hmi-port", port, "--field-port", "0")
    assert result.returncode == 2
    assert port in result.stderr
    assert "Traceback" not in result.stderr + result.stdout


def test_outputs_beyond_loopback_are_refused_without_both_confirmations() -> None:
    """Driving a host that is not loopback needs the machine file and a flag to name it.

    192.0.2.7 lies in the block kept for documentation (RFC 5737); nothing is sent to it.
    """
    result = ended("control", "--field", "192.0.2.7:502")
    assert result.returncode == 2
    assert "drives: [192.0.2.7]" in result.stderr
    assert "--drive 192.0.2.7" in result.stderr
    confirmed = ended("control", "--field", "192.0.2.7:502", "--drive", "192.0.2.7")
    assert confirmed.returncode == 2
    assert "drives: [192.0.2.7]" in confirmed.stderr


def test_help_carries_the_cautions() -> None:
    """The cautions stand in the help text."""
    text = " ".join(ended("--help").stdout.split())
    assert "never a safety function" in text
    assert "IEC 60204-1" in text


def test_text_output_shows_endpoints_points_and_steps() -> None:
    """Into a pipe a run prints its endpoints, the first points and each change of a step."""
    result = process("run", "--field-port", "0", "--hmi-port", "0", "--for", "1")
    assert result.returncode == 0, result.stderr
    assert "field  127.0.0.1:" in result.stdout
    assert "HMI    127.0.0.1:" in result.stdout
    assert "never a safety function" in result.stdout
    assert "FIELD_LINK" in result.stdout
    assert "active Idle" in result.stdout


def test_a_command_from_the_command_line_moves_the_machine() -> None:
    """`--command START` does what an HMI's button does."""
    ports = ("--field-port", "0", "--hmi-port", "0")
    result = process("run", *ports, "--command", "START", "--for", "1.5")
    assert "active Feeding" in result.stdout
    refused = ended("run", *ports, "--command", "STRAT")
    assert refused.returncode == 2
    assert "expected a command (START, STOP, RELEASE), got STRAT" in refused.stderr


def test_the_wired_plant_is_printed_as_a_program() -> None:
    """`softctl plant --st` prints the ST program that the plant runs."""
    output = ended("plant", "--st").stdout
    assert "PROGRAM" in output
    assert "T_101" in output
