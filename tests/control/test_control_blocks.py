"""The blocks that come with the controller: operating states, hand and automatic, handshake."""

from __future__ import annotations

from itertools import product

import pytest

from softctl.control.library import controller_blocks
from softctl.logic import Instance, Source, compile_application

STATES = [
    *("Clearing", "Stopped", "Starting", "Idle", "Suspended", "Execute", "Stopping", "Aborting"),
    *("Aborted", "Holding", "Held", "Unholding", "Suspending", "Unsuspending", "Resetting"),
    *("Completing", "Complete"),
]
"""ISA-TR88.00.02, numbered from 1."""

COMMANDS = [
    *("Reset", "Start", "Stop", "Hold", "Unhold", "Suspend", "Unsuspend", "Abort", "Clear"),
]
"""Numbered from 1 as the report's tag list has them (from memory)."""

ENDS = {
    "Clearing": "Stopped",
    "Starting": "Execute",
    "Execute": "Completing",
    "Stopping": "Stopped",
    "Aborting": "Aborted",
    "Holding": "Held",
    "Unholding": "Execute",
    "Suspending": "Suspended",
    "Unsuspending": "Execute",
    "Resetting": "Idle",
    "Completing": "Complete",
}
"""ISA-TR88.00.02: what follows an acting state that is complete."""

FROM = {
    "Reset": ("Resetting", {"Stopped", "Complete"}),
    "Start": ("Starting", {"Idle"}),
    "Stop": (
        "Stopping",
        set(STATES) - {"Stopped", "Stopping", "Aborting", "Aborted", "Clearing"},
    ),
    "Hold": ("Holding", {"Execute"}),
    "Unhold": ("Unholding", {"Held"}),
    "Suspend": ("Suspending", {"Execute"}),
    "Unsuspend": ("Unsuspending", {"Suspended"}),
    "Abort": ("Aborting", set(STATES) - {"Aborting", "Aborted"}),
    "Clear": ("Clearing", {"Aborted"}),
}
"""ISA-TR88.00.02: where each command leads, and from which states."""


class Block:
    """One instance of a block in a program of its own."""

    def __init__(self, name: str, qualifier: str = "") -> None:
        text = f"PROGRAM P VAR {qualifier} b : {name}; END_VAR b(); END_PROGRAM"
        self.application = compile_application(
            [Source("p.st", text)], library=controller_blocks(), strict=True
        )
        self.instance: Instance = self.application.instantiate()

    def __call__(self, **inputs: object) -> Block:
        """Call it once with these inputs."""
        for name, value in inputs.items():
            self.instance.write(f"P.b.{name}", value)
        self.instance.scan(0)
        return self

    def __getitem__(self, name: str) -> object:
        return self.instance.read(f"P.b.{name}")


@pytest.fixture(scope="module")
def operating() -> Block:
    return Block("OPERATING_STATES")


@pytest.mark.parametrize(("state", "command"), list(product(STATES, COMMANDS)))
def test_every_command_in_every_state(operating: Block, state: str, command: str) -> None:
    """It leads where ISA-TR88.00.02 says, or is refused and changes nothing."""
    target, sources = FROM[command]
    number, code = STATES.index(state) + 1, COMMANDS.index(command) + 1
    operating(state=number, command=0, done=False)
    assert operating["state"] == number
    operating(command=code)
    legal = state in sources
    assert STATES[operating["state"] - 1] == (target if legal else state)
    assert (operating["changed"], operating["refused"]) == (legal, not legal)
    operating(state=number)
    assert operating["state"] == number, "a command that stays does not act again"
    assert operating["refused"] is False
    operating(command=0)
    operating(command=code, done=True)
    expected = target if legal else ENDS.get(state, state)
    assert STATES[operating["state"] - 1] == expected, "a legal command goes before the end"


@pytest.mark.parametrize("state", STATES)
def test_every_acting_state_ends_when_it_is_done(operating: Block, state: str) -> None:
    """The others wait for a command, whatever is done."""
    operating(state=STATES.index(state) + 1, command=0, done=False)
    assert operating["acting"] is (state in ENDS)
    operating(done=True)
    assert STATES[operating["state"] - 1] == ENDS.get(state, state)
    assert operating["changed"] is (state in ENDS)


def test_a_machine_is_stopped_at_first_and_an_unknown_command_is_refused() -> None:
    """Nothing moves before somebody resets and starts."""
    block = Block("OPERATING_STATES")
    for code in (10, 200, 255):
        block(command=code, done=True)
        assert (block["state"], block["refused"]) == (2, True)


def press(block: Block, name: str, **more: object) -> Block:
    """A button pressed and let go; what the call of the press left."""
    block(**{name: False})
    block(**{name: True}, **more)
    seen = {key: block[key] for key in ("on", "automatic", "reason", "refusals")}
    block(**{name: False})
    assert seen["refusals"] == block["refusals"]
    return block


def test_a_person_switches_in_manual_and_the_program_in_automatic() -> None:
    """In each mode the other one is not listened to, and a change of mode changes nothing else."""
    block = Block("HAND_AUTO")
    block(automatic_on=True)
    assert (block["on"], block["automatic"]) == (False, False)
    press(block, "switch_on")
    assert (block["on"], block["reason"]) == (True, 0)
    press(block, "to_automatic")
    block(automatic_on=False)
    assert block["on"] is False
    press(block, "switch_on")
    assert (block["on"], block["reason"], block["refusals"]) == (False, 4, 1)
    block(automatic_on=True)
    press(block, "to_manual")
    block(automatic_on=False)
    assert (block["on"], block["automatic"], block["reason"]) == (True, False, 0)


@pytest.mark.parametrize(
    ("given", "button", "reason"),
    [
        ({"interlocked": True}, "switch_on", 1),
        ({"interlocked": True, "permitted": False}, "switch_on", 1),
        ({"permitted": False}, "switch_on", 2),
        ({"local": True}, "switch_on", 3),
        ({"local": True}, "to_automatic", 3),
        ({"local": True}, "to_manual", 3),
        ({"local": True, "interlocked": True}, "local_on", 1),
        ({"local": True, "permitted": False}, "local_on", 2),
        ({}, "local_on", 5),
        ({"switch_off": True}, "switch_on", 6),
        ({"local": True, "local_off": True}, "local_on", 6),
    ],
)
def test_a_refusal_has_its_reason(given: dict[str, object], button: str, reason: int) -> None:
    """Nothing is switched on, and the number says why; the next good request clears it."""
    block = Block("HAND_AUTO")
    block(**given)
    press(block, button)
    assert (block["on"], block["automatic"], block["reason"]) == (False, False, reason)
    assert block["refusals"] == 1
    back = {"permitted": True} | dict.fromkeys(given.keys() - {"permitted"}, False)
    block(**back)
    press(block, "switch_on")
    assert (block["on"], block["reason"], block["refusals"]) == (True, 0, 1)


def test_an_interlock_switches_off_and_nothing_comes_back_by_itself_in_manual() -> None:
    """A permission, though, is needed to switch on only."""
    block = Block("HAND_AUTO")
    press(block, "switch_on")
    assert block(permitted=False)["on"] is True
    assert block(interlocked=True)["on"] is False
    block(interlocked=False, permitted=True)
    assert block(switch_on=False)["on"] is False


def test_automatic_obeys_interlock_and_permission_too() -> None:
    """What the program wants waits for both; it comes back when they do."""
    block = Block("HAND_AUTO")
    press(block, "to_automatic")
    assert block(automatic_on=True, interlocked=True)["on"] is False
    assert block(interlocked=False, permitted=False)["on"] is False
    assert block(permitted=True)["on"] is True
    assert block(permitted=False)["on"] is True


@pytest.mark.parametrize("button", ["local_off", "switch_off"])
@pytest.mark.parametrize("local", [False, True])
@pytest.mark.parametrize("automatic", [False, True])
def test_off_is_obeyed_from_everywhere(button: str, local: bool, automatic: bool) -> None:
    """Whoever asks, and it ends automatic, so that the program does not switch on again."""
    block = Block("HAND_AUTO")
    block(automatic_on=True, local=False)
    press(block, "to_automatic" if automatic else "switch_on")
    assert block["on"] is True
    block(local=local)
    assert block["on"] is True
    press(block, button)
    block()
    assert (block["on"], block["automatic"], block["reason"]) == (False, False, 0)


def test_a_command_is_acted_on_once_and_acknowledged_with_its_result() -> None:
    """However often its number is written; another number is another command."""
    block = Block("COMMAND_HANDSHAKE")
    acted = []
    numbers = [0, 5, 5, 5, 6, 7, 7, 7, 0, 7, 65535, 65535, 1, 1]
    for number in numbers:
        block(number=number, code=100 + number % 100, reply=number % 3)
        if block["command"]:
            acted.append((number, block["command"]))
    assert acted == [(5, 105), (6, 106), (7, 107), (65535, 135), (1, 101)]
    assert (block["acknowledged"], block["result"]) == (1, 1)


def test_an_acknowledgement_comes_with_the_reply_and_not_before() -> None:
    """The call after the command has the program's answer."""
    block = Block("COMMAND_HANDSHAKE")
    block(number=0)
    block(number=3, code=9, reply=77)
    assert (block["command"], block["acknowledged"]) == (9, 0)
    block(reply=4)
    assert (block["command"], block["acknowledged"], block["result"]) == (0, 3, 4)


@pytest.mark.parametrize("retained", [False, True])
def test_a_restart_repeats_no_command(retained: bool) -> None:
    """An old number is known or told as not acted on; a RETAIN instance takes a new one up."""
    block = Block("COMMAND_HANDSHAKE", "RETAIN" if retained else "")
    block(number=0)
    block(number=3, code=9)
    block()
    kept = {path: block.instance.read(path) for path in block.application.retained}
    assert bool(kept) is retained
    block.instance = block.application.instantiate()
    for path, value in kept.items():
        block.instance.write(path, value)
    block(number=3, code=9)
    assert (block["command"], block["acknowledged"]) == (0, 3)
    assert block["result"] == (0 if retained else 65_535)
    block.instance = block.application.instantiate()
    for path, value in kept.items():
        block.instance.write(path, value)
    block(number=4, code=8)
    assert block["command"] == (8 if retained else 0)
