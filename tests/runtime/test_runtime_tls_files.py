"""Certificate and key files: what is wrong with them is said before TLS is tried."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from tls_pki import Pki

from softctl.errors import Place, Problem, ProblemsError, SoftctlError
from softctl.machine import Machine, parse_machine
from softctl.runtime.folder import demo_folder
from softctl.runtime.tls_files import controller_tls, require_tls, server_tls, tls_problems

PLAIN = (demo_folder() / "machine.yaml").read_text(encoding="utf-8")
FIELD = "field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}\n"
TLS = """field:
  port: 15020
  tls:
    certificate: field.pem
    key: field.key
    authority: authority.pem
    roles:
      boss: {read: all, write: all}
    controller: {role: boss, certificate: controller.pem, key: controller.key}
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    """A folder with all the files that the machine names, and some wrong ones."""
    pki = Pki(tmp_path_factory.mktemp("files"))
    pki.issue("field", for_server=True)
    pki.issue("controller", role="boss")
    pki.issue("clerk", role="clerk")
    pki.issue("nobody")
    pki.issue("old", days=1, begins=timedelta(days=-3))
    pki.issue("early", begins=timedelta(days=3))
    pki.issue("malformed", ("1.3.6.1.4.1.50316.802.1", b"\x05\x00"))
    for path in pki.folder.glob("*.key"):
        path.chmod(0o600)
    return pki


@pytest.fixture
def folder(made: Pki, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made.folder, tmp_path / "machine"))


@pytest.fixture(scope="module")
def machine() -> Machine:
    assert PLAIN.count(FIELD) == 1
    return parse_machine(PLAIN.replace(FIELD, TLS), "machine.yaml")


def problem_of(make: Callable[[], object]) -> Problem:
    with pytest.raises(ProblemsError) as caught:
        make()
    (problem,) = caught.value.problems
    return problem


def test_good_files_make_both_ends(machine: Machine, folder: Path) -> None:
    """Server and controller get their contexts, and nothing is to be warned of."""
    assert server_tls(machine.field, folder) is not None
    assert controller_tls(machine.field, folder) is not None
    assert list(tls_problems(machine, folder)) == []


def test_a_plain_machine_has_no_contexts(folder: Path) -> None:
    """Without `tls:` no file is opened."""
    plain = parse_machine(PLAIN, "machine.yaml")
    nowhere = folder / "nowhere"
    assert server_tls(plain.hmi, nowhere) is None
    assert controller_tls(plain.field, nowhere) is None
    assert list(tls_problems(plain, nowhere)) == []


@pytest.mark.parametrize(
    ("target", "source", "key", "words"),
    [
        ("field.pem", None, "certificate", "expected a file .*field.pem, got none"),
        ("field.key", None, "key", "expected a file .*field.key, got none"),
        ("authority.pem", None, "authority", "expected a file .*authority.pem, got none"),
        ("field.pem", "field.key", "certificate", "a certificate in PEM, got a private key in"),
        ("field.key", "field.pem", "key", "a private key in PEM, got a certificate in"),
        ("field.key", "controller.key", "key", "private key of .*field.pem, got another one in"),
        ("field.pem", "old.pem", "certificate", "valid now, got one that expired on 20"),
        ("field.pem", "early.pem", "certificate", "valid now, got one that begins on 20"),
        ("field.pem", "malformed.pem", "certificate", "expected a role that is one UTF8String"),
        ("authority.pem", "old.pem", "authority", "valid now, got one that expired on 20"),
        ("authority.pem", "field.pem", "authority", "got one that may sign no other in"),
        ("authority.pem", "field.key", "authority", "a certificate in PEM, got a private key in"),
    ],
)
def test_a_wrong_file_is_named_with_its_place(
    machine: Machine, folder: Path, target: str, source: str | None, key: str, words: str
) -> None:
    """The message says what the file is instead, and where the machine file names it."""
    (folder / target).unlink()
    if source is not None:
        shutil.copy(folder / source, folder / target)
    problem = problem_of(lambda: server_tls(machine.field, folder))
    assert re.search(words, problem.message), problem.message
    assert problem.place.path == f"field.tls.{key}"
    assert problem.place.line > 0


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "expected a certificate in PEM, got nothing in"),
        (b"\xff\xfe\x00", "expected a certificate in PEM, got something else in"),
        (
            b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n",
            "expected a whole certificate, got one cut short",
        ),
        (
            b"-----BEGIN CERTIFICATE-----\nA\n-----END CERTIFICATE-----\n",
            "got text that is no base64 in",
        ),
    ],
)
def test_what_is_no_certificate_is_told_apart(
    machine: Machine, folder: Path, content: bytes, words: str
) -> None:
    """Empty, binary, cut and damaged files are all errors of the machine's folder."""
    (folder / "field.pem").write_bytes(content)
    assert words in problem_of(lambda: server_tls(machine.field, folder)).message


def test_a_folder_is_no_file(machine: Machine, folder: Path) -> None:
    """What the system says about a file that cannot be read is passed on."""
    (folder / "field.pem").unlink()
    (folder / "field.pem").mkdir()
    problem = problem_of(lambda: server_tls(machine.field, folder))
    assert "expected a file that can be read, got Is a directory" in problem.message


def test_nobody_is_asked_for_a_pass_phrase(machine: Machine, folder: Path) -> None:
    """A server that starts on its own cannot wait for somebody at the terminal."""
    path = folder / "field.key"
    key = serialization.load_pem_private_key(path.read_bytes(), None)
    path.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.BestAvailableEncryption(b"secret"),
        )
    )
    problem = problem_of(lambda: server_tls(machine.field, folder))
    assert "pass phrase" in problem.message
    assert problem.place.path == "field.tls.key"


@pytest.mark.parametrize(("name", "got"), [("clerk", "'clerk'"), ("nobody", "none")])
def test_the_controllers_role_is_the_declared_one(
    machine: Machine, folder: Path, name: str, got: str
) -> None:
    """A controller with another role would only meet exception 01 later."""
    for suffix in ("pem", "key"):
        shutil.copy(folder / f"{name}.{suffix}", folder / f"controller.{suffix}")
    problem = problem_of(lambda: controller_tls(machine.field, folder))
    assert f"expected the role 'boss' in the controller's certificate, got {got}" in problem.message
    assert problem.place.path == "field.tls.controller.certificate"


def test_a_check_warns_of_files_and_of_keys_that_others_read(
    machine: Machine, folder: Path
) -> None:
    """Certificates are no part of the machine, so what is wrong with them are warnings."""
    (folder / "controller.pem").unlink()
    (folder / "field.key").chmod(0o644)
    missing, open_key = tls_problems(machine, folder)
    assert {missing.severity, open_key.severity} == {"warning"}
    assert "controller.pem, got none" in missing.message
    assert "softctl certs" in missing.hint
    assert "with mode 0644" in open_key.message
    assert "chmod 600" in open_key.hint


def test_a_machine_that_asks_for_tls_never_speaks_in_the_clear(
    machine: Machine, folder: Path
) -> None:
    """A caller that forgets the context gets an error, not an open port."""
    with pytest.raises(SoftctlError, match="expected TLS, as the machine file says, got none"):
        require_tls(machine.field, None)
    with pytest.raises(SoftctlError, match="expected no TLS"):
        require_tls(machine.hmi, server_tls(machine.field, folder))
    require_tls(machine.field, server_tls(machine.field, folder))
    require_tls(machine.hmi, None)


def test_places_are_the_machine_files(machine: Machine) -> None:
    """Line and column are those of the name of the file."""
    security = machine.field.security
    assert security is not None
    place = security.own.key.place
    line = PLAIN.replace(FIELD, TLS).splitlines()[place.line - 1]
    assert line[place.column - 1 :] == "field.key"
    assert place == Place("machine.yaml", place.line, place.column, "field.tls.key")
