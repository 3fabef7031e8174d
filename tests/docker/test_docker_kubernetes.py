"""The Kubernetes manifests against the published schema, softctl and each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import kubernetes_validate
import pytest
import typer.main
from compose_file import DOCKER, entrypoint, image_environment, instruction, read_compose
from ruamel.yaml import YAML

from softctl.cli.app import app

Manifest = Mapping[str, Any]

FILES = sorted((DOCKER / "kubernetes").glob("*.yaml"))
MANIFESTS: list[Manifest] = [
    manifest
    for file in FILES
    for manifest in YAML(typ="safe").load_all(file.read_text(encoding="utf-8"))
]
VERSIONS = ("1.27", "1.37")
"""An older release and the newest one: every field that is used has to be in both."""


def name_of(manifest: Manifest) -> str:
    return f"{manifest['kind']}/{manifest['metadata']['name']}"


def of_kind(*kinds: str) -> list[Manifest]:
    return [manifest for manifest in MANIFESTS if manifest["kind"] in kinds]


WORKLOADS = of_kind("Deployment", "StatefulSet")


def pod(workload: Manifest) -> Manifest:
    return dict(workload["spec"]["template"]["spec"])


def container(workload: Manifest) -> Manifest:
    (only,) = pod(workload)["containers"]
    return dict(only)


def labels_of(workload: Manifest) -> dict[str, str]:
    return dict(workload["spec"]["template"]["metadata"]["labels"])


@pytest.mark.parametrize("version", VERSIONS)
def test_manifests_are_valid_against_the_published_schema(version: str) -> None:
    """Strictly: a field that the schema does not have is an error too."""
    for manifest in MANIFESTS:
        kubernetes_validate.validate(manifest, version, strict=True)
    wrong = {**WORKLOADS[0], "spec": {**WORKLOADS[0]["spec"], "replica": 1}}
    with pytest.raises(kubernetes_validate.ValidationError, match="replica"):
        kubernetes_validate.validate(wrong, version, strict=True)


@pytest.mark.parametrize("workload", WORKLOADS, ids=name_of)
def test_every_command_is_one_that_softctl_has(workload: Manifest) -> None:
    """Arguments and probes are parsed; nothing is run."""
    commands = typer.main.get_command(app).commands
    probes = [container(workload)[f"{kind}Probe"]["exec"] for kind in ("startup", "liveness")]
    for words in ([*entrypoint(), *container(workload)["args"]], *(p["command"] for p in probes)):
        assert words[:1] == entrypoint()
        commands[words[1]].make_context(words[1], list(words[2:]))


@pytest.mark.parametrize("workload", WORKLOADS, ids=name_of)
def test_a_pod_may_no_more_than_it_needs(workload: Manifest) -> None:
    """The rules of the Pod Security Standard "restricted", a read-only root, and limits."""
    user, group = (int(number) for number in instruction("USER").split(":"))
    context, own = pod(workload)["securityContext"], container(workload)["securityContext"]
    assert context["runAsNonRoot"] is True
    assert (context["runAsUser"], context["runAsGroup"]) == (user, group)
    assert context["seccompProfile"] == {"type": "RuntimeDefault"}
    assert own["allowPrivilegeEscalation"] is False
    assert own["readOnlyRootFilesystem"] is True
    assert own["capabilities"] == {"drop": ["ALL"]}
    assert pod(workload)["automountServiceAccountToken"] is False
    assert not {"hostNetwork", "hostPID", "hostIPC"} & set(pod(workload))
    resources = container(workload)["resources"]
    assert set(resources["limits"]) == set(resources["requests"]) == {"cpu", "memory"}
    kinds = {kind for volume in pod(workload)["volumes"] for kind in volume if kind != "name"}
    assert kinds <= {"configMap", "persistentVolumeClaim", "secret"}


@pytest.mark.parametrize("workload", WORKLOADS, ids=name_of)
def test_ports_names_and_labels_fit(workload: Manifest) -> None:
    """Selectors find the pods, services their ports, commands and probes the same number."""
    labels, args = labels_of(workload), container(workload)["args"]
    assert workload["spec"]["selector"]["matchLabels"] == labels
    ports = {port["name"]: port["containerPort"] for port in container(workload)["ports"]}
    assert str(next(iter(ports.values()))) in args
    (service,) = [s for s in of_kind("Service") if s["spec"]["selector"] == labels]
    for port in service["spec"]["ports"]:
        assert ports[port["targetPort"]] == port["port"]
    assert container(workload)["readinessProbe"]["tcpSocket"]["port"] in ports
    if workload["kind"] == "StatefulSet":
        assert workload["spec"]["serviceName"] == service["metadata"]["name"]
        assert service["spec"]["clusterIP"] == "None"


def test_the_machine_is_started_as_in_the_compose_file() -> None:
    """The same commands, without the speed and the page that health checks ask there."""
    compose = read_compose()
    for name in ("field", "control", "bench"):
        (workload,) = [w for w in WORKLOADS if w["metadata"]["name"] == name]
        words = iter(compose.services[name].command[1:])
        kept = [word for word in words if word not in ("--speed", "--metrics") or not next(words)]
        assert container(workload)["args"] == kept
        assert workload["spec"]["replicas"] == 1
        assert workload["spec"]["strategy"] == {"type": "Recreate"}


def test_what_is_kept_is_in_the_claim_where_the_user_may_write() -> None:
    """The controller's state; machine folders are read only."""
    claims = {claim["metadata"]["name"] for claim in of_kind("PersistentVolumeClaim")}
    for workload in WORKLOADS:
        mounts = {mount["name"]: mount for mount in container(workload)["volumeMounts"]}
        volumes = {volume["name"]: volume for volume in pod(workload)["volumes"]}
        assert set(mounts) == set(volumes)
        assert mounts["machine"]["readOnly"] is True
        if workload["metadata"]["name"] in ("control", "bench"):
            assert mounts["state"]["mountPath"] == image_environment()["XDG_STATE_HOME"]
            assert pod(workload)["securityContext"]["fsGroup"] == 10001
            claims.remove(volumes["state"]["persistentVolumeClaim"]["claimName"])
    assert not claims


# Who may reach whom: the rules of NetworkPolicy v1, for pods of one namespace


def _fits(selector: Manifest, labels: Mapping[str, str]) -> bool:
    return selector.get("matchLabels", {}).items() <= labels.items()


def _peers(rules: list[Manifest], side: str, port: str) -> Iterator[Manifest]:
    for rule in rules:
        if any(entry["port"] == port for entry in rule.get("ports", [])):
            yield from rule[side]


def _allows(direction: str, me: Mapping[str, str], other: Mapping[str, str], port: str) -> bool:
    mine = [
        policy["spec"]
        for policy in of_kind("NetworkPolicy")
        if direction.title() in policy["spec"]["policyTypes"]
        and _fits(policy["spec"]["podSelector"], me)
    ]
    side = "from" if direction == "ingress" else "to"
    return not mine or any(
        "podSelector" in peer and _fits(peer["podSelector"], other)
        for spec in mine
        for peer in _peers(spec.get(direction, []), side, port)
    )


def reaches(source: Mapping[str, str], target: Mapping[str, str], port: str) -> bool:
    """Whether the sender may send and the receiver may receive."""
    return _allows("egress", source, target, port) and _allows("ingress", target, source, port)


def test_an_hmi_reaches_the_controller_and_never_the_field() -> None:
    """Only the controller reaches the field, and pods without a label reach nothing."""
    field, control, device, bench = (
        next(labels_of(w) for w in WORKLOADS if w["metadata"]["name"] == name)
        for name in ("field", "control", "device", "bench")
    )
    hmi, client, stranger = {"softctl/hmi": "yes"}, {"softctl/client": "yes"}, {"app": "x"}
    assert reaches(hmi, control, "hmi")
    assert reaches(control, field, "modbus")
    assert reaches(client, device, "modbus")
    assert reaches(hmi, bench, "page")
    assert not reaches(client, bench, "page")
    for source in (hmi, client, stranger, device, field):
        assert not reaches(source, field, "modbus"), source
    for source in (client, stranger, device, field):
        assert not reaches(source, control, "hmi"), source
    for source in (hmi, stranger, control, field):
        assert not reaches(source, device, "modbus"), source
    assert not reaches(field, control, "hmi")
