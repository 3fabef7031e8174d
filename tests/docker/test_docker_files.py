"""The container files against their open schemas, a linter, and softctl itself."""

from __future__ import annotations

import copy
import importlib.resources
import json
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
import typer.main
from compose_file import (
    DOCKER,
    ROOT,
    Service,
    dockerfile,
    entrypoint,
    env_file,
    image_environment,
    instruction,
    interpolate,
    read_compose,
)
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from softctl import __version__
from softctl.cli.app import app
from softctl.runtime.folder import demo_folder, read_machine

COMPOSE = read_compose()
OURS = [service for service in COMPOSE.services.values() if service.is_ours]
COMMANDS = typer.main.get_command(app).commands


def tool(name: str) -> Path:
    """A program that a Python package brings."""
    return Path(sys.executable).with_name(name)


# Schemas and linter


def test_compose_file_is_valid_against_the_compose_specification() -> None:
    """Its published JSON schema, as check-jsonschema brings it; and it can say no."""
    schemas = importlib.resources.files("check_jsonschema") / "builtin_schemas" / "vendor"
    schema = json.loads((schemas / "compose-spec.json").read_text(encoding="utf-8"))
    validator = jsonschema.Draft7Validator(schema)
    assert not list(validator.iter_errors(COMPOSE.document))
    wrong = copy.deepcopy(COMPOSE.document)
    wrong["services"]["field"]["cap_drop"] = "ALL"
    (error,) = validator.iter_errors(wrong)
    assert list(error.absolute_path) == ["services", "field", "cap_drop"]


def test_the_linter_finds_nothing_in_the_dockerfile(tmp_path: Path) -> None:
    """hadolint, without any rule switched off; and it can find something."""
    lint = [tool("hadolint"), "--no-color"]
    done = subprocess.run([*lint, DOCKER / "Dockerfile"], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, "")
    assert "hadolint ignore" not in dockerfile()
    wrong = tmp_path / "Dockerfile"
    wrong.write_text("FROM python\nUSER root\n", encoding="utf-8")
    done = subprocess.run([*lint, wrong], capture_output=True, text=True)
    assert done.returncode != 0
    assert {"DL3002", "DL3006"} <= set(re.findall(r"DL\d{4}", done.stdout))


# Commands


@pytest.mark.parametrize("service", OURS, ids=lambda service: str(service.name))
def test_every_command_is_one_that_softctl_has(service: Service) -> None:
    """Names and options of commands and health checks are parsed; nothing is run."""
    for command in filter(None, (service.command, service.health)):
        assert command[:1] == entrypoint()
        name, *arguments = command[1:]
        COMMANDS[name].make_context(name, list(arguments))


def test_the_image_commands_are_ones_that_softctl_has() -> None:
    """What it does when nothing is said, and its own health check."""
    words = re.findall(r'"([^"]*)"', instruction("CMD"))
    health = re.findall(r'"([^"]*)"', instruction("HEALTHCHECK"))
    assert health[:1] == entrypoint()
    for name, *arguments in (words, health[1:]):
        COMMANDS[name].make_context(name, arguments)
    with pytest.raises(Exception, match="No such option"):
        COMMANDS["field"].make_context("field", ["--hmi-host", "0.0.0.0"])
    assert health[-1] == f"127.0.0.1:{read_machine(demo_folder()).hmi.port}"


def test_the_controller_drives_the_field_by_the_name_that_machine_files_allow() -> None:
    """The service's name is the host in `drives:`, in `--field` and in `--drive`."""
    command = COMPOSE.services["control"].command
    host, port = command[command.index("--field") + 1].split(":")
    assert host in COMPOSE.services
    assert command[command.index("--drive") + 1] == host
    field = COMPOSE.services[host].command
    assert field[field.index("--port") + 1] == port
    for folder in (ROOT / "configs").iterdir():
        assert host in read_machine(folder).drives, folder.name


# What the services may


@pytest.mark.parametrize("service", COMPOSE.services.values(), ids=lambda s: str(s.name))
def test_a_service_may_no_more_than_it_needs(service: Service) -> None:
    """No root, no capability, no writable image, and limits for all that it could use up."""
    assert re.fullmatch(r"[1-9]\d*:[1-9]\d*", service["user"])
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert not {"privileged", "cap_add", "devices", "network_mode", "pid"} & set(service.entry)
    assert set(service["deploy"]["resources"]["limits"]) == {"cpus", "memory", "pids"}
    assert service["restart"] == ("no" if service.name == "conform" else "unless-stopped")
    assert set(service["logging"]["options"]) == {"max-size", "max-file"}


def test_only_the_controller_is_with_the_field_and_only_this_computer_gets_ports() -> None:
    """The field's network is internal; ports are published to loopback unless it is asked."""
    assert COMPOSE.is_internal("field")
    beside = {name for name, s in COMPOSE.services.items() if "field" in s["networks"]}
    assert beside == {"field", "control"}
    assert COMPOSE.services["field"].get("ports") is None
    for service in COMPOSE.services.values():
        assert all(text.startswith("127.0.0.1:") for text in service.get("ports", []))
    open_to_all = read_compose(SOFTCTL_PUBLISH="0.0.0.0").services["control"]
    assert open_to_all["ports"] == ["0.0.0.0:15021:15021"]


def test_the_user_and_the_volumes_are_those_of_the_image() -> None:
    """One user id in both files, and the state's volume where the image's user may write."""
    assert {service["user"] for service in OURS} == {instruction("USER")}
    user, group = instruction("USER").split(":")
    state = image_environment()["XDG_STATE_HOME"]
    assert f"--owner={user} --group={group} --mode=0700 {state}" in dockerfile()
    for name in ("control", "bench", "bridge"):
        mounts = {v.target: v for v in COMPOSE.services[name].volumes}
        assert mounts[state].source == "state"
        assert not mounts[state].is_read_only
    for service in OURS:
        for volume in service.volumes:
            assert volume.is_named or volume.is_read_only
            assert volume.is_named or volume.target == "/page" or volume.path.exists()
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert "docker/page/" in ignored, "its key is never committed"


# The image


def test_the_build_takes_its_files_from_the_context() -> None:
    """What is copied exists, and .dockerignore lets it through, and no key."""
    ignore = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    let_in = {line[1:] for line in ignore if line.startswith("!")}
    assert "*" in ignore
    assert "**/certs" in ignore
    copied = [
        source
        for words in re.findall(r"^COPY (?!--from)(.*)$", dockerfile(), re.MULTILINE)
        for source in words.split()[:-1]
    ]
    assert copied
    for source in copied:
        assert (ROOT / source).exists(), source
        assert source in let_in or f"{Path(source).parent}/*{Path(source).suffix}" in let_in
    for service in OURS:
        assert (DOCKER / service["build"]["context"]).resolve() == ROOT
        assert (ROOT / service["build"]["dockerfile"]).is_file()


def test_labels_follow_the_image_specification() -> None:
    """Names that the OCI image specification has under pre-defined annotation keys."""
    labels = dict(re.findall(r'org\.opencontainers\.image\.([a-z.]+)="([^"]*)"', dockerfile()))
    # image-spec v1.1, annotations.md
    known = {
        *("created", "authors", "url", "documentation", "source", "version", "revision"),
        *("vendor", "licenses", "ref.name", "title", "description", "base.digest", "base.name"),
    }
    assert set(labels) <= known
    assert labels["licenses"] == "MIT"
    assert f"ARG VERSION={__version__}\n" in dockerfile()
    assert 'softctl = "softctl.cli:main"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_the_locks_hold_what_the_project_asks_for() -> None:
    """Each dependency and each extra of the image, in a release that pyproject.toml allows."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    script = (DOCKER / "lock.sh").read_text(encoding="utf-8")
    extras = re.findall(r"--extra (\w+)", script)
    optional = project["project"]["optional-dependencies"]
    wanted = [
        *project["project"]["dependencies"],
        *(r for extra in extras for r in optional[extra]),
    ]
    _require_locked("requirements.lock", wanted)
    _require_locked("build.lock", project["build-system"]["requires"])
    assert "--require-hashes -r docker/requirements.lock" in dockerfile()
    assert "--require-hashes -r docker/build.lock" in dockerfile()


def _require_locked(file: str, wanted: list[str]) -> None:
    text = (DOCKER / file).read_text(encoding="utf-8")
    pins = re.findall(r"^([\w.-]+)==([\w.]+)(?: ; [^\\]*)? \\\n    --hash=sha256:", text, re.M)
    assert len(pins) == len(re.findall(r"^\w", text, re.M)), "each with its hash"
    for requirement in map(Requirement, wanted):
        name = canonicalize_name(requirement.name)
        versions = [version for pinned, version in pins if canonicalize_name(pinned) == name]
        assert versions, name
        assert all(requirement.specifier.contains(version) for version in versions), name


# Pins


@pytest.fixture
def pin(tmp_path: Path, require_tool: Callable[[str], str]) -> Callable[[str], tuple[int, str]]:
    """docker/pin.sh on a copy of docker/.env, with an engine that always tells one digest."""
    require_tool("sh")
    for name in ("pin.sh", ".env"):
        (tmp_path / name).write_bytes((DOCKER / name).read_bytes())

    def run(digest: str) -> tuple[int, str]:
        engine = tmp_path / "docker"
        engine.write_text(f'#!/bin/sh\n[ "$2" = imagetools ] && echo "{digest}"\n', "utf-8")
        engine.chmod(0o755)
        path = f"{tmp_path}:{os.environ['PATH']}"
        command = ["sh", str(tmp_path / "pin.sh")]
        done = subprocess.run(command, env={"PATH": path}, capture_output=True, text=True)
        return done.returncode, (tmp_path / ".env").read_text(encoding="utf-8")

    return run


def test_pinning_puts_digests_behind_the_tags_and_renews_them(
    pin: Callable[[str], tuple[int, str]],
) -> None:
    """A second run replaces the digest, and what is no digest changes nothing."""
    before = (DOCKER / ".env").read_text(encoding="utf-8")
    bases = {name: text.split("@")[0] for name, text in env_file().items() if "IMAGE" in name}
    for digit in "ab":
        digest = f"sha256:{digit * 64}"
        code, text = pin(digest)
        assert code == 0
        for name, tag in bases.items():
            assert f"\n{name}={tag}@{digest}\n" in text
        assert len(text.splitlines()) == len(before.splitlines())
    assert pin("unauthorized") == (1, text)


def test_variables_are_put_in_as_compose_does() -> None:
    """Defaults for what is unset or empty, and a doubled dollar for one."""
    values = {"A": "1", "EMPTY": ""}
    assert interpolate("${A} ${B:-two} ${EMPTY:-three} $$x", values) == "1 two three $x"
    with pytest.raises(AssertionError, match="is in docker"):
        interpolate("${B:?is in docker/.env}", values)


def test_the_readme_names_every_variable_with_its_default() -> None:
    """The table is what the file has, no more and no less."""
    text = (DOCKER / "compose.yaml").read_text(encoding="utf-8")
    used = set(re.findall(r"\$\{([A-Z_]+):([-?])([^}]*)\}", text))
    expected = {
        (name, env_file()[name].split("@")[0] if operator == "?" else default)
        for name, operator, default in used
    }
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = set(re.findall(r"^\| `(SOFTCTL_[A-Z_]+)` \| `([^`]*)` \|", readme, re.MULTILINE))
    assert rows == expected
