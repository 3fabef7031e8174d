"""A good HMI passes every step; what is wrong with a bad one is found at exactly its point."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hmi_program import MACHINE, Hmi, Tag, arranged, carry_out, new_checkout

Tags = dict[str, Tag]


def run(flaw: Callable[[Tags], None] = lambda tags: None, hmi: type[Hmi] = Hmi) -> dict[str, str]:
    """What failed of a whole checkout with an HMI that has a flaw."""
    checkout = new_checkout()
    program = hmi(checkout)
    flaw(program.tags)
    return carry_out(checkout, program)


def changed(name: str, **values: Any) -> Callable[[Tags], None]:
    def change(tags: Tags) -> None:
        for key, value in values.items():
            setattr(tags[name], key, value)

    return change


def moved(name: str, to: str) -> Callable[[Tags], None]:
    def move(tags: Tags) -> None:
        tags[name].address, tags[name].bit = tags[to].address, tags[to].bit

    return move


def test_a_good_hmi_passes_every_step() -> None:
    """All kinds of points, both directions, alarms and their requests."""
    checkout = new_checkout()
    assert carry_out(checkout, Hmi(checkout)) == {}
    assert checkout.progress.is_clean
    assert {step.point for step in checkout.steps} == set(MACHINE.points)
    assert {a.by for a in checkout.session.attempts} == {"comparison", "wire"}


LOW_HIGH = ("25%", "50%", "75%", "100%", "odd")
ENTRIES = ("enter-odd", "enter-75%")
ALL = ("0%", *LOW_HIGH, *ENTRIES)

FLAWS = {
    "swapped words of an input": (
        changed("LT_1", order="ABCD"),
        "LT_1",
        LOW_HIGH,
        "its registers are read in the order ABCD",
    ),
    "swapped words of a set point": (
        changed("SPEED", order="ABCD"),
        "SPEED",
        ALL,
        "its registers are read in the order ABCD",
    ),
    "swapped words of a counter": (
        changed("BATCHES", order="ABCD"),
        "BATCHES",
        ("odd",),
        "its registers are read in the order ABCD",
    ),
    "the wrong number of counts": (
        changed("TT_1", raw=(0, 4_095)),
        "TT_1",
        LOW_HIGH,
        "it is scaled as if 4095 counts were the whole range",
    ),
    "a range without its beginning": (
        changed("PT_1", ends=(0, 10)),
        "PT_1",
        ("0%", *LOW_HIGH),
        "the beginning of the range is left out",
    ),
    "a decimal point in the wrong place": (
        changed("LT_1", factor=10),
        "LT_1",
        LOW_HIGH,
        "it is 10 times too high",
    ),
    "signed counts read as unsigned": (
        changed("PT_1", type="UINT"),
        "PT_1",
        ("0%", "25%", "odd"),
        "it is read as UINT",
    ),
    "unsigned counts read as signed": (
        changed("TT_1", type="INT"),
        "TT_1",
        ("50%", "75%", "100%"),
        "it is read as INT",
    ),
    "the wrong sign": (
        changed("COUNT", factor=-1),
        "COUNT",
        ("0%", "25%", "75%", "100%", "odd", *ENTRIES),
        "its sign is the other way round",
    ),
    "seconds for milliseconds": (
        changed("STIR", factor=0.001),
        "STIR",
        ALL,
        "it is 1000 times too low",
    ),
    "a REAL taken for a whole number": (
        changed("SPEED", type="DINT"),
        "SPEED",
        ALL,
        "its REAL is read as a whole number",
    ),
    "another switch's address": (
        moved("LSH_1", "ZSC_1"),
        "LSH_1",
        ("on",),
        "the HMI has not read it since the value was put",
    ),
    "another alarm's address": (
        moved("LAH_1", "TAH_1"),
        "LAH_1",
        ("active",),
        "the HMI has not read it since the value was put",
    ),
    "a command one too far": (
        moved("START", "HAND"),
        "START",
        ("press",),
        "wrote TRUE to HAND (coils 1 (00002)) (the address is off by one",
    ),
    "a command at no point": (
        changed("START", address=40),
        "START",
        ("press",),
        "was refused with exception 02",
    ),
    "another bit of the register": (moved("UP", "DOWN"), "UP", ("press",), "wrote TRUE to DOWN"),
    "a held command": (
        changed("HAND", releases=False),
        "HAND",
        ("press",),
        "it was not released: FALSE never came",
    ),
    "a doubled command": (changed("START", times=2), "START", ("press",), "wrote TRUE 2 times"),
    "a doubled entry": (
        changed("SPEED", times=2),
        "SPEED",
        ENTRIES,
        "wrote 398.4 rpm 2 times",
    ),
    "a button the other way round": (
        changed("START", pressed=0),
        "START",
        ("press",),
        "wrote FALSE first, expected TRUE",
    ),
    "an entry with another factor": (
        changed("SPEED", factor=1.05),
        "SPEED",
        (*ALL,),
        "instead of 398.4 rpm",
    ),
}


@pytest.mark.parametrize("name", FLAWS)
def test_a_flaw_is_found_at_exactly_its_point(name: str) -> None:
    """Every other step passes, and the reason is named."""
    flaw, point, steps, reason = FLAWS[name]
    failed = run(flaw)
    assert set(failed) == {f"{point}:{step}" for step in steps}
    assert any(reason in seen for seen in failed.values()), failed


class Springy(Hmi):
    """Has a button where a switch belongs: what it switches on goes off by itself."""

    def switch(self, name: str, value: bool) -> None:
        super().switch(name, value)
        super().switch(name, False)


class Overreaching(Hmi):
    """Reads a block that goes beyond the map, and shows zeros when it is refused."""

    def value(self, name: str) -> float | bool | str:
        if name == "TAH_1_STATE":
            reply = self.ask(struct.pack(">BHH", 4, self.tags[name].address, 10))
            assert reply == b"\x84\x02"
            return 0
        return super().value(name)


class HalfWriter(Hmi):
    """Writes each register by itself."""

    def enter(self, name: str, value: float | str) -> None:
        if name != "SPEED":
            super().enter(name, value)
            return
        assert not isinstance(value, str)
        raw = struct.pack(">f", value)
        for shift, start in ((0, 2), (1, 0)):
            word = raw[start : start + 2]
            self.ask(struct.pack(">BH", 6, self.tags[name].address + shift) + word)


class BlockWriter(Hmi):
    """Reads, changes and writes two set points at once, as some HMIs do."""

    def enter(self, name: str, value: float | str) -> None:
        if name not in ("SPEED", "COUNT"):
            super().enter(name, value)
            return
        assert not isinstance(value, str)
        place, end = self.tags["SPEED"].address, self.tags["COUNT"].address + 1
        raw = bytearray(self.ask(struct.pack(">BHH", 3, place, end - place))[2:])
        if name == "SPEED":
            raw[:4] = arranged(struct.pack(">f", value), "CDAB")
        else:
            raw[-2:] = struct.pack(">h", round(value))
        self.ask(struct.pack(">BHHB", 16, place, len(raw) // 2, len(raw)) + raw)


class Stutterer(BlockWriter):
    """Writes its block twice, the second time without a change."""

    def enter(self, name: str, value: float | str) -> None:
        for _ in range(2 if name == "COUNT" else 1):
            super().enter(name, value)


class Forgetful(Hmi):
    """Acts on the second alarm, whichever is meant."""

    def enter(self, name: str, value: float | str) -> None:
        super().enter(name, 2 if name == "ALARM_NUMBER" else value)


class Restless(Hmi):
    """Writes its own counter into a set point all the time."""

    def ask(self, pdu: bytes) -> bytes:
        if pdu[0] < 5:
            place = self.tags["COUNT"].address
            super().ask(struct.pack(">BHh", 6, place, self.transaction % 7))
        return super().ask(pdu)


class Crossed(Hmi):
    """Reads everything in blocks, and shows a set point at a counter's place."""

    def shown(self, step: Any) -> str:
        self.ask(struct.pack(">BHH", 4, 0, 30))
        return super().shown(step if step.point != "BATCHES" else replace(step, point="COUNT"))


class Silent(Hmi):
    """Its buttons do nothing."""

    def operate(self, step: Any) -> None:
        pass


def test_a_switch_that_springs_back_is_found() -> None:
    """A set point stays where it was put, unlike a command."""
    failed = run(hmi=Springy)
    assert set(failed) == {"LAMP:enter-on", "LAMP:enter-off"}
    assert "wrote FALSE instead of TRUE" in failed["LAMP:enter-on"]


def test_a_refused_read_is_no_read() -> None:
    """The address is to blame, and it is said."""
    failed = run(hmi=Overreaching)
    assert {step.partition(":")[0] for step in failed} == {"TAH_1_STATE"}
    assert all("has not read it" in seen for seen in failed.values())


def test_half_a_value_is_no_entry() -> None:
    """Both halves are refused, and told."""
    failed = run(hmi=HalfWriter)
    assert set(failed) == {"SPEED:enter-odd", "SPEED:enter-75%"}
    assert "writing a part of a value to SPEED" in failed["SPEED:enter-odd"]


def test_a_block_with_unchanged_neighbours_is_an_entry() -> None:
    """What stays as it is was not operated."""
    assert run(hmi=BlockWriter) == {}


def test_a_block_that_is_written_twice_is_a_doubled_entry() -> None:
    """Although nothing changes the second time."""
    failed = run(hmi=Stutterer)
    assert set(failed) == {"COUNT:enter-odd", "COUNT:enter-75%"}
    assert "wrote -13 2 times" in failed["COUNT:enter-odd"]


def test_the_wrong_alarm_is_no_acknowledgement() -> None:
    """All that is about the first alarm fails, with its number."""
    failed = run(hmi=Forgetful)
    assert set(failed) == {
        "ALARM_NUMBER:acknowledge-LAH_1",
        "ALARM_SHELF_TIME:shelve-LAH_1",
        "ALARM_REQUEST:unshelve-LAH_1",
        "ALARM_REQUEST:reset-LAH_1",
    }
    assert "ALARM_NUMBER is 2, expected 1" in failed["ALARM_REQUEST:reset-LAH_1"]


def test_what_is_written_all_the_time_spoils_no_other_step() -> None:
    """It is told for its own point only, and named in the document."""
    checkout = new_checkout()
    failed = carry_out(checkout, Restless(checkout))
    assert {step.partition(":")[0] for step in failed} == {"COUNT"}
    assert checkout.document()["writes_all_the_time"] == ["COUNT"]


def test_the_value_of_another_point_is_named() -> None:
    """Both are read all the time, so the address alone tells nothing."""
    failed = run(hmi=Crossed)
    assert set(failed) == {"BATCHES:0", "BATCHES:odd"}
    assert "it is the value of COUNT" in failed["BATCHES:odd"]


def test_a_button_that_does_nothing() -> None:
    """Every operation fails, nothing else."""
    failed = run(hmi=Silent)
    operated = {step.id for step in new_checkout().steps if step.operation is not None}
    assert set(failed) == operated
    assert all("nothing was written" in seen for seen in failed.values())
