"""What the machine file says about its two servers."""

from __future__ import annotations

import pytest
from demo_file import position

from softctl.errors import ProblemsError
from softctl.machine import (
    Connections,
    Identification,
    UnknownUnit,
    WhenFull,
    machine_schema,
    parse_machine,
)

TEXT = """
name: servers
programs: [none.st]
field: {port: 0}
hmi:
  port: 0
  unknown_unit: silence
  connections:
    limit: 4
    when_full: refuse
    idle: 90 s
    allow: [127.0.0.0/8, '::1']
    read_only: [192.0.2.7]
  identification:
    vendor: Fernhollow
    revision: '3.1'
    application_name: feed panel
"""


def test_settings_of_a_server() -> None:
    """Each server has its own; addresses are those of RFC 5737."""
    hmi = parse_machine(TEXT, "servers.yaml").hmi
    assert hmi.unknown_unit is UnknownUnit.SILENCE
    assert hmi.connections == Connections(
        4, WhenFull.REFUSE, 90_000_000_000, ("127.0.0.0/8", "::1"), ("192.0.2.7",)
    )
    assert hmi.identification == Identification(
        vendor="Fernhollow", revision="3.1", application_name="feed panel"
    )


def test_settings_that_are_left_out() -> None:
    """Without settings everybody may connect and write, and unknown units hear 0B."""
    field = parse_machine(TEXT, "servers.yaml").field
    assert field.unknown_unit is UnknownUnit.EXCEPTION
    assert field.connections == Connections(256, WhenFull.CLOSE_OLDEST, None, (), ())
    assert field.identification == Identification()


BROKEN = {
    "no answer of that name": (
        "unknown_unit: silence",
        "unknown_unit: |silent",
        "expected exception or silence, got 'silent'",
        "did you mean silence?",
    ),
    "no connection at all": (
        "limit: 4",
        "limit: |0",
        "expected a whole number from 1 to 10000, got 0",
        "",
    ),
    "a time without a unit": (
        "idle: 90 s",
        "idle: |90",
        "expected a time from '1 s' to '86400 s', got 90",
        "",
    ),
    "an address inside a network": (
        "allow: [127.0.0.0/8, ",
        "allow: [|127.0.0.1/8, ",
        "expected an address or a network such as '192.0.2.0/24', got '127.0.0.1/8'",
        "",
    ),
    "one address for a list": (
        "read_only: [192.0.2.7]",
        "read_only: |192.0.2.7",
        "expected a list such as [one, another], got '192.0.2.7'",
        "",
    ),
    "a number for a text": (
        "revision: '3.1'",
        "revision: |3.1",
        "expected printable ASCII text, got 3.1",
        "put it in quotes",
    ),
    "letters that are not ASCII": (
        "vendor: Fernhollow",
        "vendor: |Fernhöllow",
        "expected printable ASCII text, got 'Fernhöllow'",
        "",
    ),
    "a text too long for a reply": (
        "vendor: Fernhollow",
        "vendor: |" + "x" * 201,
        "expected 1 to 200 characters, got 201 of them",
        "",
    ),
    "unknown key inside": (
        "    when_full: refuse",
        "    |when_ful: refuse",
        "expected a key among limit, when_full, idle, allow, read_only; got 'when_ful'",
        "did you mean when_full?",
    ),
    "no mapping": (
        "    vendor: Fernhollow\n    revision: '3.1'\n    application_name: feed panel\n",
        "    |Fernhollow\n",
        (
            "expected keys (vendor, product_code, revision, vendor_url, product_name, model_name, "
            "application_name), got 'Fernhollow'"
        ),
        "",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_one_mistake_gives_one_error_at_its_place(name: str) -> None:
    """A mistake deep in a server's settings has its own position, words and advice."""
    old, new, words, hint = BROKEN[name]
    assert TEXT.count(old) == 1
    text = TEXT.replace(old, new.replace("|", ""))
    with pytest.raises(ProblemsError) as caught:
        parse_machine(text, "servers.yaml")
    (problem,) = caught.value.problems
    assert problem.message == words
    assert problem.hint == hint
    assert (problem.place.line, problem.place.column) == position(text, new)


def test_a_missing_key_deep_inside_is_named_with_its_parents() -> None:
    """The place is the mapping that lacks the key."""
    text = TEXT + "points:\n  X: {role: state, type: REAL, range: [0, 1], scale: {type: INT}}\n"
    with pytest.raises(ProblemsError) as caught:
        parse_machine(text, "servers.yaml")
    (problem,) = caught.value.problems
    assert problem.message == "expected the key 'raw' in X.scale, got none"
    assert (problem.place.line, problem.place.column) == position(text, "scale: |{type: INT}")


def test_the_schema_knows_the_settings() -> None:
    """An editor offers the keys of both servers."""
    definitions = machine_schema()["$defs"]
    for server in ("FieldServerSection", "HmiServerSection"):
        keys = definitions[server]["properties"]
        assert {"unknown_unit", "connections", "identification"} <= set(keys)
    assert definitions["ConnectionsSection"]["properties"]["when_full"]["enum"] == [
        "close oldest",
        "refuse",
    ]


def test_escapes_of_halves_of_characters() -> None:
    """Two that make a character, as JSON writes it, are one; a lone one is an error."""
    line = TEXT.replace("name: servers", 'name: servers\ntitle: "skid \\uD83D\\uDCA7"')
    assert parse_machine(line, "servers.yaml").title == "skid \U0001f4a7"
    with pytest.raises(
        ProblemsError, match=r"expected characters, got 'skid \\ud83d' \(serv.*:3:8"
    ):
        parse_machine(line.replace("\\uDCA7", ""), "servers.yaml")
