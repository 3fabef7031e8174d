"""The container files, as far as they can be held to something without a container engine."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
import typer.main
from ruamel.yaml import YAML

from softctl.cli.app import app
from softctl.runtime.folder import demo_folder, read_machine

ROOT = Path(__file__).parents[2]
DOCKERFILE = (ROOT / "docker" / "Dockerfile").read_text(encoding="utf-8")
COMPOSE = YAML(typ="safe").load((ROOT / "docker" / "compose.yaml").read_text(encoding="utf-8"))
SERVICES = COMPOSE["services"]
COMMANDS = typer.main.get_command(app).commands


def _default_command() -> list[str]:
    match = re.search(r"^CMD (\[.*\])$", DOCKERFILE, re.MULTILINE)
    assert match is not None
    return json.loads(match[1])


@pytest.mark.parametrize(
    "command", [_default_command(), *(service["command"] for service in SERVICES.values())]
)
def test_every_command_is_one_that_softctl_has(command: list[str]) -> None:
    """Its name and its options are parsed; nothing is run."""
    name, *arguments = command
    COMMANDS[name].make_context(name, arguments)


def test_an_option_that_is_not_there_would_be_seen() -> None:
    """The check above can fail."""
    with pytest.raises(Exception, match="No such option"):
        COMMANDS["field"].make_context("field", ["--hmi-host", "0.0.0.0"])


def test_the_controller_drives_the_field_by_the_name_that_the_machine_file_allows() -> None:
    """The service's name is the host in `drives:`, in `--field` and in `--drive`."""
    command = SERVICES["control"]["command"]
    host, port = command[command.index("--field") + 1].split(":")
    machine = read_machine(demo_folder())
    assert host in SERVICES
    assert host in machine.drives
    assert command[command.index("--drive") + 1] == host
    assert int(port) == machine.field.port


def test_only_the_hmi_port_is_published_and_only_to_this_host() -> None:
    """The field's network is internal, and nothing but the controller is in it."""
    assert SERVICES["control"]["ports"] == [f"127.0.0.1:{15021}:{15021}"]
    assert read_machine(demo_folder()).hmi.port == 15021
    assert "ports" not in SERVICES["field"]
    assert COMPOSE["networks"]["field"]["internal"] is True


def test_the_files_that_are_named_exist() -> None:
    """The build's context and file, and the program that the image starts."""
    for service in SERVICES.values():
        context = (ROOT / "docker" / service["build"]["context"]).resolve()
        assert context == ROOT
        assert (context / service["build"]["dockerfile"]).is_file()
    assert 'ENTRYPOINT ["/opt/softctl/bin/softctl"]' in DOCKERFILE
    assert 'softctl = "softctl.cli:main"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")
