"""docker/compose.yaml and the Dockerfile as a container engine would understand them.

Only what they use is understood: interpolation with defaults, merge keys, the short forms
of ports and volumes, and tmpfs with options.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

ROOT = Path(__file__).parents[1]
DOCKER = ROOT / "docker"

_VARIABLE = re.compile(r"\$(?:(\$)|\{([A-Z_]+)(?:(:[-?])([^}]*))?\})")


def env_file() -> dict[str, str]:
    """docker/.env, which Compose reads because it is beside the file."""
    lines = (DOCKER / ".env").read_text(encoding="utf-8").splitlines()
    pairs = (line.split("=", 1) for line in lines if line and not line.startswith("#"))
    return dict(pairs)


def interpolate(text: str, values: Mapping[str, str]) -> str:
    """Put variables in, as the Compose Specification has it under "Interpolation"."""

    def put(match: re.Match[str]) -> str:
        dollar, name, operator, rest = match.groups()
        if dollar:
            return "$"
        if value := values.get(name):
            return value
        assert operator == ":-", f"{name} is not set: {rest}"
        return str(rest)

    return _VARIABLE.sub(put, text)


@dataclass(frozen=True)
class Volume:
    """Where something is mounted: a folder of the host, or a named volume."""

    source: str
    target: str
    is_read_only: bool

    @property
    def is_named(self) -> bool:
        """A bind mount begins with a dot or a slash."""
        return not self.source.startswith((".", "/"))

    @property
    def path(self) -> Path:
        """The host's folder, relative to the file's."""
        return (DOCKER / self.source).resolve()


@dataclass(frozen=True)
class Service:
    """A service with its entry in the file, variables put in."""

    name: str
    entry: Mapping[str, Any]

    def __getitem__(self, key: str) -> Any:
        return self.entry[key]

    def get(self, key: str, default: Any = None) -> Any:
        """A key of its entry."""
        return self.entry.get(key, default)

    @property
    def is_ours(self) -> bool:
        """Whether it runs our image."""
        return "build" in self.entry

    @property
    def command(self) -> list[str]:
        """The whole command, the image's entry point included."""
        return [*(entrypoint() if self.is_ours else []), *self.entry["command"]]

    @property
    def volumes(self) -> list[Volume]:
        """Its mounts."""
        parts = (text.split(":") for text in self.entry.get("volumes", []))
        return [Volume(source, target, mode == ["ro"]) for source, target, *mode in parts]

    @property
    def tmpfs(self) -> dict[str, str]:
        """Mount points and their options."""
        return dict(text.partition(":")[::2] for text in self.entry.get("tmpfs", []))

    @property
    def depends_on(self) -> list[str]:
        """The services that have to be healthy before."""
        return list(self.entry.get("depends_on", {}))

    @property
    def health(self) -> list[str] | None:
        """The command that tells whether it is healthy, None where there is none."""
        test = self.entry.get("healthcheck", {}).get("test")
        return None if test is None else test[1:]

    def port(self, host_port: int) -> int:
        """The container's port behind one that is published."""
        for text in self.entry.get("ports", []):
            *_, published, inner = text.split(":")
            if int(published) == host_port:
                return int(inner)
        raise AssertionError(f"{self.name} publishes no port {host_port}")


@dataclass(frozen=True)
class Compose:
    """The whole file."""

    document: Mapping[str, Any]
    services: Mapping[str, Service]

    def of_profile(self, profile: str) -> dict[str, Service]:
        """The services that a profile starts, each after what it depends on."""
        chosen = {
            name: service
            for name, service in self.services.items()
            if profile in service.get("profiles", [profile])
        }
        ordered: dict[str, Service] = {}
        while len(ordered) < len(chosen):
            ready = [
                name
                for name, service in chosen.items()
                if name not in ordered
                and all(needed in ordered for needed in service.depends_on if needed in chosen)
            ]
            assert ready, "services that wait for each other"
            ordered.update((name, chosen[name]) for name in ready)
        return ordered

    def is_internal(self, network: str) -> bool:
        """Whether nothing outside can reach a network."""
        return bool((self.document["networks"][network] or {}).get("internal"))


def read_compose(**variables: str) -> Compose:
    """compose.yaml, with these variables beside those of docker/.env."""
    text = (DOCKER / "compose.yaml").read_text(encoding="utf-8")
    values = {**env_file(), **variables}
    document = _interpolated(YAML(typ="safe").load(text), values)
    services = {name: Service(name, entry) for name, entry in document["services"].items()}
    return Compose(document, services)


def _interpolated(node: Any, values: Mapping[str, str]) -> Any:
    if isinstance(node, str):
        return interpolate(node, values)
    if isinstance(node, list):
        return [_interpolated(item, values) for item in node]
    if isinstance(node, dict):
        return {key: _interpolated(item, values) for key, item in node.items()}
    return node


def dockerfile() -> str:
    """The Dockerfile with its continued lines joined."""
    text = (DOCKER / "Dockerfile").read_text(encoding="utf-8")
    return re.sub(r"\\\n\s*", "", text)


def instruction(name: str) -> str:
    """What stands behind the last instruction of that name."""
    found = re.findall(rf"^{name} (.*)$", dockerfile(), re.MULTILINE)
    assert found, f"no {name} in the Dockerfile"
    return str(found[-1])


def entrypoint() -> list[str]:
    """What the image always starts."""
    return list(json.loads(instruction("ENTRYPOINT")))


def image_environment() -> dict[str, str]:
    """The environment that the image sets."""
    return dict(re.findall(r"(\w+)=(\S+)", instruction("ENV")))
