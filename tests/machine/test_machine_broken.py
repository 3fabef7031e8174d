"""Machine files with mistakes: what is said, and where."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from demo_file import DEMO, FILE, edited, position
from hypothesis import given
from hypothesis import strategies as st

from softctl.errors import Problem, ProblemsError
from softctl.machine import parse_machine


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(ProblemsError) as caught:
        parse_machine(text, FILE)
    return caught.value.problems


@dataclass(frozen=True)
class Broken:
    """`old` becomes `new`; the only error stands at the `|` in `at` and says `words`."""

    old: str
    new: str
    at: str
    words: str
    path: str = ""
    hint: str = ""


STIR = """    initial: 75 s
    range: [5 s, 900 s]"""
LEVEL = """    unit: m
    range: [0, 1.38]"""
XV = """    channel: 8
    wired: XV_101.open
    fail_safe: false"""
HMI = "hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}"
DO_1 = "DO_1: {kind: digital output, channels: 16, order_code: FH-DO-16"
RUNNING = "RUNNING: {role: state, type: BOOL"
FEED_STEP = "FEED_STEP: {role: step, chart: Feed"

BROKEN = {
    # Text that is no YAML
    "tab": Broken("programs:", "\tprograms:", "|\tprograms:", "found character", hint="not tabs"),
    "bracket not closed": Broken(
        "programs: [feed.st]", "programs: [feed.st", "cards|:\n", "expected YAML", hint="bracket"
    ),
    "colon in text": Broken(
        "description: Day tank level\n",
        "description: Day tank: level\n",
        "description: Day tank|: level",
        "mapping values are not allowed here",
        hint="quote text that holds ': '",
    ),
    "alias": Broken("title: Nutrient", "title: *Nutrient", "|*Nutrient", "undefined alias"),
    "control character": Broken(
        "Nutrient make-up skid 1", "Nutrient\x07", "Nutrient|\x07", "printable characters, got"
    ),
    # Keys
    "doubled key": Broken(
        "  STOP: {",
        "  START: {role: command}\n  STOP: {",
        "|START: {role: command}\n",
        "expected each key once, got 'START' again",
        "points.START",
        "it stands first at line",
    ),
    "rise of an unknown species": Broken(
        "seed: 7}",
        "seed: 7, density_rise: {calcium nitrat: 0.7}}",
        "calcium nitrat: |0.7",
        "expected one of the species (calcium nitrate, ",
        "plant.density_rise.calcium nitrat",
        "did you mean calcium nitrate?",
    ),
    "faults that are no list": Broken(
        "points:\n",
        "faults: {equipment: P_101, fault: stuck}\npoints:\n",
        "faults: |{equipment: P_101",
        "expected a list of faults such as [{equipment: P_1, fault: motor trip}], got",
        "faults",
    ),
    "fault with a key of its own": Broken(
        "points:\n",
        "faults: [{equipment: P_101, fault: stuck, fro: 3 s}]\npoints:\n",
        "fault: stuck, |fro: 3 s",
        "expected a key among equipment, fault, at, for, ramp, size; got 'fro'",
        hint="did you mean for?",
    ),
    "fault without a name": Broken(
        "points:\n",
        "faults: [{equipment: P_101, at: 3 s}]\npoints:\n",
        "faults: [|{equipment: P_101",
        "expected the key 'fault' in a fault, got none",
    ),
    "fault for no time": Broken(
        "points:\n",
        "faults: [{equipment: P_101, fault: stuck, for: 0 s}]\npoints:\n",
        "for: |0 s",
        "expected a time from '1 us' to '100000000 s', got '0 s'",
    ),
    "filter of outputs": Broken(
        DO_1,
        DO_1.replace("channels: 16", "channels: 16, filter: 3 ms"),
        "filter: |3 ms",
        "expected no 'filter' on a digital output card, got '3 ms'",
        "cards.DO_1.filter",
    ),
    "rise that is no number": Broken(
        "seed: 7}",
        "seed: 7, density_rise: {calcium nitrate: 7}}",
        "density_rise: |{calcium nitrate: 7}",
        "expected numbers from -1 to 1 by name",
        "plant.density_rise",
    ),
    "doubled key of a point": Broken(
        XV,
        XV + "\n    card: DO_1",
        "XV_101.open\n    fail_safe: false\n    |card: DO_1",
        "expected each key once, got 'card' again",
        "points.XV_101.card",
    ),
    "unknown top key": Broken(
        "programs: [feed.st]",
        "programs: [feed.st]\nequipments: {}",
        "|equipments",
        "got 'equipments'",
        "equipments",
        "did you mean equipment?",
    ),
    "unknown key of a card": Broken(
        DO_1,
        DO_1.replace("channels: 16", "channels: 16, adress: 4"),
        "|adress",
        "kind, channels, order_code, description, address, raw, filter, unit; got 'adress'",
        "cards.DO_1.adress",
        "did you mean address?",
    ),
    "unknown key of a point": Broken(
        "    true_when: open",
        "    true_wen: open",
        "|true_wen",
        "got 'true_wen'",
        "points.LSH_101.true_wen",
        "did you mean true_when?",
    ),
    "missing top key": Broken(
        "programs: [feed.st]\n", "", "|# Nutrient make-up skid of", "expected the key 'programs'"
    ),
    "missing key of a card": Broken(
        DO_1,
        DO_1.replace(" channels: 16,", ""),
        "|DO_1: {",
        "expected the key 'channels' in DO_1, got none",
        "cards.DO_1",
    ),
    "neither card nor role": Broken(
        RUNNING,
        RUNNING.replace("role", "rolle"),
        "|RUNNING: {",
        "expected 'card' for a wired signal, or 'role'",
        "points.RUNNING",
        "did you mean role?",
    ),
    # Values of the wrong kind
    "name that is no name": Broken(
        "name: glasshouse_feed", "name: glasshouse feed", "|glasshouse feed", "letters, digits"
    ),
    "number for text": Broken(
        "order_code: FH-AI-8", "order_code: 1408", "|1408", "expected text, got 1408"
    ),
    "wrong unit": Broken(
        "plant: {step: 10 ms",
        "plant: {step: 10 mm",
        "|10 mm",
        "expected a time from '100 us' to '1 s', got '10 mm'",
        "plant.step",
    ),
    "no unit": Broken(
        "control: {scan: 50 ms",
        "control: {scan: 50",
        "|50, fail",
        "expected a time from '1 ms' to '10 s', got 50",
        "control.scan",
    ),
    "fail-safe time below the scan": Broken(
        "fail_safe_after: 500 ms",
        "fail_safe_after: 20 ms",
        "|20 ms",
        "expected 'fail_safe_after' to be no shorter than a scan (50 ms), got 20 ms",
    ),
    "watchdog below the scan": Broken(
        "fail_safe_after: 500 ms",
        "fail_safe_after: 500 ms, watchdog: 20 ms",
        "watchdog: |20 ms",
        "expected 'watchdog' to be no shorter than a scan (50 ms), got 20 ms",
    ),
    "overrun policy": Broken(
        "fail_safe_after: 500 ms",
        "fail_safe_after: 500 ms, overrun: hurry",
        "overrun: |hurry",
        "expected skip or stretch or stop, got 'hurry'",
    ),
    "word order": Broken(
        HMI, HMI.replace("CDAB", "CBAD"), "|CBAD", "expected ABCD or CDAB or BADC or DCBA, got"
    ),
    "port": Broken(
        HMI, HMI.replace("15021", "115021"), "|115021", "a whole number from 0 to 65535, got 115021"
    ),
    "port twice": Broken(
        HMI,
        HMI.replace("15021", "15020"),
        "hmi: {host: 127.0.0.1, port: |15020",
        "expected a port of its own for the HMI server, got 15020",
        "hmi.port",
    ),
    "host": Broken(
        HMI, HMI.replace("127.0.0.1", "127.0.0.256"), "|127.0.0.256", "expected a host name or"
    ),
    "truth value for a number": Broken(
        HMI, HMI.replace("unit: 1", "unit: true"), "|true, word", "from 0 to 255, got true"
    ),
    "program that is a path": Broken(
        "[feed.st]", "[../feed.st]", "|../feed.st", "an .st file in the machine's folder"
    ),
    "program twice": Broken(
        "[feed.st]", "[feed.st, Feed.st]", "|Feed.st]", "expected each of programs once"
    ),
    "list for a mapping": Broken(
        "control: {scan: 50 ms, fail_safe_after: 500 ms}",
        "control: [50 ms]",
        "|[50 ms]",
        "expected keys (scan, fail_safe_after, overrun, watchdog), got a list",
    ),
    # Cards and addresses
    "kind of card": Broken(
        DO_1,
        DO_1.replace("digital output", "digital outputs"),
        "|digital outputs",
        "expected digital input or digital output or analog input or analog output, got",
        "cards.DO_1.kind",
        "did you mean digital output?",
    ),
    "counts on a digital card": Broken(
        DO_1,
        DO_1 + ", raw: [0, 10]",
        "|[0, 10]",
        "expected no 'raw' on a digital output card, got a list",
    ),
    "counts too wide": Broken(
        "[4000, 20000]", "[4000, 40000]", "|[4000, 40000]", "numbers from -32768 to 32767"
    ),
    "card beyond the table": Broken(
        DO_1,
        DO_1 + ", address: 65530",
        "|65530",
        "expected DO_1 within addresses 0 to 65535 of the field's coils, got 65530 to 65545",
    ),
    "cards that overlap": Broken(
        DO_1,
        "DO_2: {kind: digital output, channels: 16, address: 8}\n  " + DO_1 + ", address: 16",
        "FH-DO-16, address: |16",
        "got 16 to 31 for DO_1, which overlaps DO_2 at 8 to 23",
        "cards.DO_1.address",
        f"DO_2 is pinned at {FILE}:29:55",
    ),
    "unknown card": Broken(
        XV.replace("channel", "channel"),
        XV + "\n    hmi: false\n  SPARE: {card: DI_2}",
        "card: |DI_2",
        "expected a card among DI_1, DO_1, AI_1; got 'DI_2'",
        "points.SPARE.card",
        "did you mean DI_1?",
    ),
    "channel out of range": Broken(
        XV,
        XV.replace("8", "16"),
        "channel: |16",
        "expected XV_101 within channels 0 to 15 of DO_1, got 16",
        "points.XV_101.channel",
    ),
    "channel twice": Broken(
        "    channel: 9\n",
        "    channel: 08\n",
        "channel: |08\n",
        "expected channels of DI_1 that are free, got 8 for ZSC_101, which overlaps ZSO_101 at 8",
        "points.ZSC_101.channel",
        "ZSO_101 is pinned at",
    ),
    "HMI addresses that overlap": Broken(
        "    range: [5 s, 900 s]",
        "    range: [5 s, 900 s]\n    hmi_address: 7\n"
        "  DOSE: {role: setpoint, type: DINT, hmi_address: 8}",
        "hmi_address: |8",
        "got 8 to 9 for DOSE, which overlaps STIR_TIME at 7 to 8",
        "points.DOSE.hmi_address",
    ),
    "HMI address of a system point": Broken(
        FEED_STEP,
        FEED_STEP + ", hmi_address: 3",
        "hmi_address: |3",
        "got 3 for FEED_STEP, which overlaps the system points at 0 to 15",
    ),
    # Points
    "reserved name": Broken(
        RUNNING,
        RUNNING.replace("RUNNING", "RETURN"),
        "|RETURN",
        "that IEC 61131-3 does not reserve",
    ),
    "name of a system point": Broken(
        RUNNING, RUNNING.replace("RUNNING", "Overruns"), "|Overruns", "that no system point has"
    ),
    "name in other capitals": Broken(
        RUNNING,
        RUNNING.replace("RUNNING", "Start"),
        "|Start: {",
        "expected names that differ in more than capitals, got 'Start' again",
    ),
    "role": Broken(
        FEED_STEP,
        FEED_STEP.replace("step,", "stepp,"),
        "|stepp",
        "expected a role among command, setpoint, state, step; got 'stepp'",
        "points.FEED_STEP.role",
        "did you mean step?",
    ),
    "role against the card": Broken(
        XV,
        XV + "\n    role: input",
        "role: |input",
        "expected output, since DO_1 is digital output, got 'input'",
    ),
    "type": Broken(
        RUNNING,
        RUNNING.replace("BOOL", "BOOLEAN"),
        "|BOOLEAN",
        "expected an elementary type such as BOOL, INT, REAL or TIME, got 'BOOLEAN'",
        "points.RUNNING.type",
        "did you mean BOOL?",
    ),
    "unit of a point": Broken(
        LEVEL,
        LEVEL.replace("unit: m", "unit: rods"),
        "|rods",
        "expected a unit that is known, such as 'm', 'L/min' or 'degC', got 'rods'",
        "points.LT_101.unit",
    ),
    "range upside down": Broken(
        LEVEL,
        LEVEL.replace("[0, 1.38]", "[1.38, 0]"),
        "|[1.38, 0]",
        "expected a range whose first value is below its second, got [1.38, 0]",
        "points.LT_101.range",
    ),
    "range in another dimension": Broken(
        LEVEL,
        LEVEL.replace("[0, 1.38]", "[0, 1.38 s]"),
        "|1.38 s]",
        "expected a length such as '1.2 m', got '1.38 s'",
        "points.LT_101.range[1]",
    ),
    "range missing": Broken(
        LEVEL, "    unit: m", "|LT_101:\n    description", "expected the key 'range' (the values at"
    ),
    "initial out of range": Broken(
        STIR,
        STIR.replace("75 s", "2 s"),
        "initial: |2 s",
        "expected a value within the range 5 s to 900 s, got '2 s'",
        "points.STIR_TIME.initial",
    ),
    "initial of another type": Broken(
        STIR,
        STIR.replace("75 s", "75"),
        "initial: |75",
        "expected a time such as '90 s', got 75",
        "points.STIR_TIME.initial",
    ),
    "fail-safe of another type": Broken(
        XV,
        XV.replace("false", "closed"),
        "|closed\n\n  START",
        "expected true or false, got 'closed'",
        "points.XV_101.fail_safe",
    ),
    "fail-safe missing": Broken(
        XV,
        XV.replace("\n    fail_safe: false", ""),
        "|XV_101:\n    description",
        "expected the key 'fail_safe' (the value of the output without the field link)",
        "points.XV_101",
    ),
    "fail-safe on an input": Broken(
        LEVEL,
        LEVEL + "\n    fail_safe: 0",
        "fail_safe: |0",
        "expected no 'fail_safe' on the analog input card AI_1, got 0",
    ),
    "contact of an output": Broken(
        XV,
        XV + "\n    true_when: open",
        "fail_safe: false\n    true_when: |open",
        "expected no 'true_when' on the digital output card DO_1, got 'open'",
    ),
    "range of a BOOL": Broken(
        STIR,
        STIR + "\n  AUTO: {role: setpoint, type: BOOL, range: [0, 1]}",
        "|[0, 1]}",
        "expected no 'range' beside the type BOOL, got a list",
    ),
    "unsigned below zero": Broken(
        STIR,
        STIR + "\n  LOTS: {role: setpoint, type: UINT, initial: -1}",
        "|-1}",
        "expected a whole number from 0 to 65535, got -1",
    ),
    "equipment without a type": Broken(
        "  H_101:                       # irrigation header, open to the air\n    type: header\n",
        "  H_101:\n",
        "|H_101:\n    elevation",
        "expected the key 'type' in H_101, got none",
        "equipment.H_101",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_one_mistake_gives_one_error_at_its_place(name: str) -> None:
    """A mistake gives one error with file, line, column, key, words and advice."""
    broken = BROKEN[name]
    text = edited((broken.old, broken.new))
    problems = problems_of(text)
    assert len(problems) == 1, [str(problem) for problem in problems]
    (problem,) = problems
    assert problem.place.file == FILE
    assert (problem.place.line, problem.place.column) == position(text, broken.at)
    assert problem.message.startswith("expected ")
    assert broken.words in problem.message
    assert broken.hint in problem.hint
    if broken.path:
        assert problem.place.path == broken.path
    assert problem.excerpt == text.split("\n")[problem.place.line - 1]


def test_a_full_card_refuses_each_further_point() -> None:
    """Points that find no free channel are named one by one."""
    few = DO_1.replace("channels: 16", "channels: 3")
    text = edited((DO_1, few), (XV, XV.replace("    channel: 8\n", "")))
    (problem,) = problems_of(text)
    assert problem.message == "expected at most 3 channels on DO_1, got no room for XV_101"
    assert problem.place.path == "points.XV_101"


def test_all_errors_come_at_once_in_the_order_of_the_file() -> None:
    """Mistakes in every section are reported in one run, first line first."""
    names = [
        "doubled key of a point",
        "wrong unit",
        "port",
        "unknown key of a card",
        "unknown key of a point",
        "range upside down",
        "initial of another type",
        "role",
    ]
    text = edited(*((BROKEN[name].old, BROKEN[name].new) for name in names))
    problems = problems_of(text)
    assert len(problems) == len(names)
    lines = [problem.place.line for problem in problems]
    assert lines == sorted(lines)
    for name in names:
        assert any(BROKEN[name].words in problem.message for problem in problems), name


def test_a_bad_card_does_not_cast_doubt_on_its_points() -> None:
    """A point on a card that is itself wrong is not called a point on an unknown card."""
    text = edited((DO_1, DO_1.replace("channels: 16", "channels: none")))
    (problem,) = problems_of(text)
    assert problem.place.path == "cards.DO_1.channels"


def test_the_message_as_a_person_sees_it() -> None:
    """The text holds position, line of the file, caret and advice."""
    text = edited((HMI, HMI.replace("CDAB", "CDBA")))
    line, column = position(text, "|CDBA")
    message = "expected ABCD or CDAB or BADC or DCBA, got 'CDBA'"
    assert str(problems_of(text)[0]).splitlines() == [
        f"error: {message} ({FILE}:{line}:{column}, hmi.word_order)",
        "    hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDBA}",
        "    " + " " * (column - 1) + "^",
        "    did you mean DCBA?",
    ]


@pytest.mark.parametrize("text", ["", "# nothing\n", "- a\n- b\n", "just text", "3"])
def test_a_file_that_is_no_mapping(text: str) -> None:
    """A file without keys is told what a machine file has."""
    (problem,) = problems_of(text)
    assert problem.message.startswith("expected keys such as 'name:' and 'points:', got ")


def test_an_empty_mapping_lacks_its_keys() -> None:
    """The keys without which nothing works are asked for, each by name."""
    assert [problem.message for problem in problems_of("{}")] == [
        "expected the key 'name' in the machine file, got none",
        "expected the key 'programs' in the machine file, got none",
    ]


@pytest.mark.parametrize(
    "text",
    [
        "a: &a [*a]",
        "a: &a {b: *a}",
        "a: " + "[" * 30 + "]" * 30,
        "a: &a [1,1,1,1,1,1,1,1,1,1]\n"
        + "".join(
            f"{c}: &{c} [{','.join(['*' + b] * 10)}]\n"
            for b, c in zip("abcdef", "bcdefg", strict=True)
        ),
    ],
)
def test_endless_and_exploding_files_are_refused(text: str) -> None:
    """Aliases that contain themselves, or multiply, end in an error and not in the memory."""
    assert "expected at most 20 nested levels" in problems_of(text)[-1].message


LINES = DEMO.splitlines()


@given(st.data())
def test_no_damage_raises_anything_else(data: st.DataObject) -> None:
    """Lines lost, moved or mixed with junk give a machine or errors with places, no other end."""
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 3))):
        index = data.draw(st.integers(0, len(lines) - 1))
        junk = data.draw(
            st.sampled_from(["", "  ", "- ", "x: ", "[", "{a: 1}", "points:", "  T_101: 3", ": :"])
            | st.text(max_size=8)
            | st.sampled_from(LINES)
        )
        lines[index : index + data.draw(st.integers(0, 2))] = [junk]
    try:
        parse_machine("\n".join(lines), FILE)
    except ProblemsError as error:
        problems = error.problems
    else:
        return
    assert problems
    assert all(problem.place.file == FILE for problem in problems)
