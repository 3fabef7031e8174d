"""`tls:` of a machine file: roles and rights, mistakes and their places."""

from __future__ import annotations

import pytest
from demo_file import FILE, edited, position

from softctl.errors import Problem, ProblemsError
from softctl.machine import Machine, Rights, Role, parse_machine

FIELD = "field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}\n"
HMI = "hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}\n"

SECURED_FIELD = """field:
  port: 15020
  tls:
    certificate: certs/field.pem
    key: certs/field.key
    authority: certs/field_authority.pem
    server_name: skid-1.example
    roles:
      controller: {read: all, write: all}
    controller: {role: controller, certificate: certs/control.pem, key: certs/control.key}
"""
SECURED_HMI = """hmi:
  port: 15021
  word_order: CDAB
  tls:
    certificate: certs/hmi.pem
    key: certs/hmi.key
    authority: certs/authority.pem
    groups:
      stirring: [STIR_TIME, P_101]
      running: RUNNING
    roles:
      fitter: {read: all, write: all}
      shift lead / Schichtführer: {read: [all], write: [commands, stirring]}
      operator: {read: [inputs, outputs, running], write: START}
      onlooker: {read: [states, steps, system]}
      locked out: {}
    no_role: {read: HEARTBEAT}
"""


def secured(*edits: tuple[str, str]) -> str:
    """The demo with both servers secured, and then edited."""
    text = edited((FIELD, SECURED_FIELD), (HMI, SECURED_HMI))
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands there {text.count(old)} times"
        text = text.replace(old, new)
    return text


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(ProblemsError) as caught:
        parse_machine(text, FILE)
    return caught.value.problems


@pytest.fixture(scope="module")
def machine() -> Machine:
    return parse_machine(secured(), FILE)


def named(machine: Machine, *roles: Role) -> set[str]:
    return {name for name, point in machine.points.items() if point.role in roles}


def test_without_tls_nothing_is_secured() -> None:
    """A machine file that does not ask for it speaks in the clear, as before."""
    plain = parse_machine(edited(), FILE)
    assert plain.field.security is None
    assert plain.hmi.security is None


def test_the_rest_of_the_server_stands_beside_tls(machine: Machine) -> None:
    """Port and word order are read as without it; ports stay what the file says."""
    plain = parse_machine(edited(), FILE)
    assert (machine.hmi.port, machine.hmi.word_order) == (15_021, plain.hmi.word_order)
    assert machine.points.keys() == plain.points.keys()


def test_files_know_where_they_were_named(machine: Machine) -> None:
    """Each file comes with its place, for the errors of whoever opens it."""
    security = machine.hmi.security
    assert security is not None
    assert security.own.certificate.value == "certs/hmi.pem"
    line, column = position(secured(), "certificate: |certs/hmi.pem")
    place = security.own.certificate.place
    assert (place.line, place.column, place.path) == (line, column, "hmi.tls.certificate")
    assert security.authority.value == "certs/authority.pem"


def test_the_field_knows_its_controller(machine: Machine) -> None:
    """What the controller shows and whom it expects are the field's keys."""
    security = machine.field.security
    assert security is not None
    assert security.controller is not None
    assert security.controller.key.value == "certs/control.key"
    assert (security.controller_role, security.server_name) == ("controller", "skid-1.example")


def test_rights_are_names_of_points(machine: Machine) -> None:
    """Words, groups and single points all end as the points that the server lets be touched."""
    security = machine.hmi.security
    assert security is not None
    on_map = {name for name, point in machine.points.items() if point.hmi is not None}
    written = named(machine, Role.COMMAND, Role.SETPOINT)
    commands = named(machine, Role.COMMAND)
    assert security.roles == {
        "fitter": Rights(frozenset(on_map), frozenset(written)),
        "shift lead / Schichtführer": Rights(
            frozenset(on_map), frozenset(commands | {"STIR_TIME"})
        ),
        "operator": Rights(
            frozenset(named(machine, Role.INPUT, Role.OUTPUT) | {"RUNNING"}), frozenset({"START"})
        ),
        "onlooker": Rights(frozenset(named(machine, Role.STATE, Role.STEP, Role.SYSTEM))),
        "locked out": Rights(),
    }
    assert security.no_role == Rights(frozenset({"HEARTBEAT"}))


def test_the_field_grants_its_channels_only(machine: Machine) -> None:
    """`all` of the field is what is wired: outputs to write, inputs and outputs to read."""
    security = machine.field.security
    assert security is not None
    wired = named(machine, Role.INPUT, Role.OUTPUT)
    expected = Rights(frozenset(wired), frozenset(named(machine, Role.OUTPUT)))
    assert security.roles == {"controller": expected}


OPERATOR = "read: [inputs, outputs, running], write: START"
STIRRING = "stirring: [STIR_TIME, P_101]"
ROLES = SECURED_HMI[SECURED_HMI.index("    roles:\n") : SECURED_HMI.index("    no_role")]
CONTROLLER = (
    "controller: {role: controller, certificate: certs/control.pem, key: certs/control.key}"
)

BROKEN = {
    "unknown key": (
        ("groups:\n      stirring", "group:\n      stirring"),
        "|group:\n",
        "expected a key among certificate, key, authority, groups, roles, no_role; got 'group'",
        "did you mean groups?",
    ),
    "controller at the hmi": (
        ("no_role: {read: HEARTBEAT}", "controller: {read: HEARTBEAT}"),
        "|controller: {read: HEART",
        "got 'controller'",
        "",
    ),
    "no key": (("    key: certs/hmi.key\n", ""), "CDAB\n  |tls:", "expected the key 'key'", ""),
    "number for a file": (("key: certs/hmi.key", "key: 12"), "key: |12", "expected text", ""),
    "no roles": ((ROLES, ""), "CDAB\n  |tls:", "nobody could do anything", "roles: {fitter"),
    "roles as a list": (
        (ROLES, "    roles: [fitter]\n"),
        "roles: |[fitter]",
        "expected roles by name, got a list",
        "",
    ),
    "role without a name": (
        ("locked out: {}", "'': {}"),
        "|'': {}",
        "expected the text of a role, got ''",
        "",
    ),
    "role that spoils a terminal": (
        ("locked out: {}", '"a\\x1b[2J": {}'),
        '|"a\\x1b[2J": {}',
        "expected the text of a role",
        "",
    ),
    "rights as text": (
        ("locked out: {}", "locked out: all"),
        "locked out: |all",
        "expected keys (read, write), got 'all'",
        "",
    ),
    "unknown right": (
        ("onlooker: {read: [states", "onlooker: {reads: [states"),
        "|reads: [states",
        "expected a key among read, write; got 'reads'",
        "did you mean read?",
    ),
    "unknown point": (
        (OPERATOR, "read: [inputs, RUNING], write: START"),
        "|RUNING",
        "inputs, outputs, commands, setpoints, states, steps, alarms, system; got 'RUNING'",
        "did you mean RUNNING?",
    ),
    "unknown word": (
        (OPERATOR, "read: state, write: START"),
        "read: |state,",
        "got 'state'",
        "did you mean states?",
    ),
    "number for a name": (
        (OPERATOR, "read: [inputs, 5], write: START"),
        "read: |[inputs, 5]",
        "expected a name or a list of names",
        "",
    ),
    "what nobody writes": (
        (OPERATOR, "read: all, write: [START, LT_101]"),
        "[START, |LT_101]",
        "expected what can be written at the hmi server, got 'LT_101'",
        "commands and set points are",
    ),
    "a kind that nobody writes": (
        (OPERATOR, "read: all, write: [START, states]"),
        "[START, |states]",
        "expected what can be written at the hmi server, got 'states'",
        "commands and set points are",
    ),
    "a group that nobody writes": (
        (OPERATOR, "read: all, write: running"),
        "write: |running",
        "got 'running'",
        "",
    ),
    "group with a point's name": (
        ("running: RUNNING", "RUNNING: START"),
        "|RUNNING: START",
        "expected a name for a group that is free, got 'RUNNING', a point",
        "",
    ),
    "group with a word's name": (
        ("running: RUNNING", "states: RUNNING"),
        "|states: RUNNING",
        "expected a name for a group that is free, got 'states', a kind of points",
        "",
    ),
    "unknown member": (
        (STIRRING, "stirring: [STIR_TIMES, P_101]"),
        "|STIR_TIMES",
        "got 'STIR_TIMES'",
        "did you mean STIR_TIME?",
    ),
    "member that is no name": (
        (STIRRING, "stirring: [STIR_TIME, [P_101]]"),
        "[STIR_TIME, |[P_101]]",
        "expected a name such as 'commands' or a point's, got a list",
        "",
    ),
    "not on that server": (
        ("controller: {read: all, write: all}", "controller: {read: [all, START], write: all}"),
        "[all, |START]",
        "expected what can be read at the field server, got 'START'",
        "it is not on that server",
    ),
    "unknown role of the controller": (
        ("{role: controller, cert", "{role: controler, cert"),
        "role: |controler, cert",
        "expected a role among controller; got 'controler'",
        "did you mean controller?",
    ),
    "controller that could not work": (
        ("controller: {read: all, write: all}", "controller: {read: all, write: P_101}"),
        "role: |controller, cert",
        "expected a role for the controller that may write ",
        "it reads every input and writes every output",
    ),
    "controller without a role": (
        (CONTROLLER, CONTROLLER.replace("role: controller, ", "")),
        "|controller: {certificate: certs/control.pem",
        "expected a role for the controller that may read",
        "",
    ),
    "no controller": (
        (f"    {CONTROLLER}\n", ""),
        "port: 15020\n  |tls:",
        "expected the key 'controller' in field.tls, got none",
        "certificate and key that the controller shows",
    ),
    "tls as text": (
        (SECURED_HMI[SECURED_HMI.index("\n    certificate") : -1], " on"),
        "tls: |on",
        "expected keys (certificate, key, authority, groups, roles, no_role), got 'on'",
        "",
    ),
}


@pytest.mark.parametrize("case", BROKEN.values(), ids=BROKEN)
def test_each_mistake_has_its_place_and_advice(
    case: tuple[tuple[str, str], str, str, str],
) -> None:
    """One mistake in `tls:` is reported where it stands, with what was expected."""
    edit, at, words, hint = case
    text = secured(edit)
    problem, *others = sorted(problems_of(text), key=lambda one: "or one of all" in one.message)
    # A group that was renamed by its mistake is missed where it is used.
    assert all("got 'running'" in one.message or "'stirring'" in one.message for one in others)
    assert (problem.place.line, problem.place.column) == position(text, at)
    assert words in problem.message
    assert hint in problem.hint


def test_several_mistakes_come_at_once() -> None:
    """Files, roles and points of both servers are checked in one go."""
    text = secured(
        ("write: START", "write: STRAT"),
        ("{role: controller, cert", "{role: boss, cert"),
        ("key: certs/hmi.key", "kee: certs/hmi.key"),
    )
    messages = "\n".join(problem.message for problem in problems_of(text))
    assert "'STRAT'" in messages
    assert "'boss'" in messages
    assert "'kee'" in messages


def test_a_word_that_is_a_point_too_is_refused() -> None:
    """A right must not mean more than whoever wrote it thinks."""
    text = secured(
        ("  START: {", "  states: {role: command}\n  START: {"),
        (OPERATOR, "read: states, write: START"),
    )
    assert any("a word with one meaning" in problem.message for problem in problems_of(text))
