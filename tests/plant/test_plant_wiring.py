"""What a machine's equipment section may say, and the messages for what it may not."""

from __future__ import annotations

import pytest

from softctl.errors import SoftctlError

TANK = "T_1: {type: tank, diameter: 1 m, height: 2 m}\n"
SUPPLY = "S_1: {type: supply}\n"
HEADER = "H_1: {type: header}\n"
SWITCH = (
    "L_1: {type: level_switch, in: T_1, level: 1 m, contact: normally_open, closes_on: rising}\n"
)
PUMP = (
    "P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 9 m, rated_flow: 40 L/min, "
    "rated_head: 6 m}\n"
)

SOURCE = (
    "CS_1: {type: part_source, to: K_1, interval: 5 s, weight: [9 kg, 11 kg], "
    "height: [1 m, 1 m], length: [1 m, 1 m]}\n"
)
BIN = "K_1: {type: bin}\n"

# Equipment, the message's parts, and what stands where it points.
BROKEN = {
    "an unknown type": (
        "T_1: {type: tnak, diameter: 1 m, height: 2 m}",
        ["expected a type of equipment", "tank", "got tnak", "did you mean tank?"],
        "tnak",
    ),
    "an unknown parameter": (
        "T_1: {type: tank, diametre: 1 m, diameter: 1 m, height: 2 m}",
        ["expected a parameter of a tank", "got diametre", "did you mean diameter?"],
        "1 m, diameter",
    ),
    "a missing parameter": (
        "T_1: {type: tank, diameter: 1 m}",
        ["expected diameter with height or diameter with length or", "got diameter"],
        "T_1:",
    ),
    "a wrong unit": (
        "T_1: {type: tank, diameter: 1 m, height: 2 s}",
        ["expected a length such as '1.2 m', got '2 s'"],
        "2 s}",
    ),
    "a number without a unit": (
        "T_1: {type: tank, diameter: 1 m, height: 2}",
        ["expected a length", "got '2'"],
        "2}",
    ),
    "weights upside down": (
        SOURCE.replace("[9 kg", "[12 kg") + BIN,
        ["expected weight at most 11 kg", "got 12 kg"],
        "[12 kg",
    ),
    "a part for a tank": (
        SOURCE.replace("K_1", "T_1") + TANK,
        ["expected an equipment for to that has room, got T_1, a tank"],
        "T_1, interval",
    ),
    "arrivals of no kind": (
        SOURCE.replace("weight:", "arrivals: poisson, weight:") + BIN,
        ["expected fixed or uniform or exponential, got 'poisson'"],
        "poisson",
    ),
    "two that give to one table": (
        SOURCE.replace("K_1", "I_1")
        + SOURCE.replace("K_1", "I_1").replace("CS_1", "CS_2")
        + "I_1: {type: index_table, nests: 4, unload_after: 2, to: K_1}\n"
        + BIN,
        ["expected at most 1 pieces with to: I_1, got 2"],
        "I_1, interval",
    ),
    "an eye beyond its belt": (
        "M_1: {type: motor}\nB_1: {type: belt, drive: M_1, to: K_1, length: 2 m, speed: 1 m/s}\n"
        "E_1: {type: photo_eye, on: B_1, position: 2.1 m, switching: dark}\n" + BIN,
        ["expected position at most 2 m, the length of B_1; got 2.1 m"],
        "2.1 m",
    ),
    "a list for a length": (
        "T_1: {type: tank, diameter: 1 m, height: [2 m]}",
        ["expected a length", "got a list"],
        "[2 m]",
    ),
    "out of range": (
        "T_1: {type: tank, diameter: 1 m, height: 90 m}",
        ["expected 0.05 to 50 m, got 90 m"],
        "90 m",
    ),
    "a word that is no choice": (
        SWITCH.replace("rising", "raising") + TANK,
        ["expected rising or falling, got 'raising'"],
        "raising",
    ),
    "a truth value that is none": (
        "T_1: {type: tank, diameter: 1 m, height: 2 m, well_mixed: perhaps}",
        ["expected false or true, got 'perhaps'"],
        "perhaps",
    ),
    "an unknown neighbour": (
        TANK + SUPPLY + PUMP.replace("to: T_1", "to: T_11"),
        ["expected an equipment's name for to, got T_11", "did you mean T_1?"],
        "T_11",
    ),
    "a neighbour of the wrong kind": (
        TANK + SUPPLY + SWITCH + PUMP.replace("from: S_1", "from: L_1"),
        ["expected an equipment for from that has surface, available", "L_1, a level_switch"],
        "L_1, to",
    ),
    "a line that ends nowhere": (
        TANK + "S_1: {type: supply}\nV_1: {type: valve, from: T_1, to: L_1, kv: 4 m3/h}\n" + SWITCH,
        ["expected an equipment for to that has surface", "got L_1, a level_switch"],
        "L_1, kv",
    ),
    "a missing neighbour": (
        TANK + SUPPLY + PUMP.replace("to: T_1, ", ""),
        ["expected to: a pump needs it, got none"],
        "P_1:",
    ),
    "an unknown port": (
        TANK + SUPPLY + PUMP.replace("rated_head", "run: T_1.levl, rated_head"),
        ["expected a port of T_1", "got levl", "did you mean level?"],
        "T_1.levl",
    ),
    "a reference of the wrong type": (
        TANK + SUPPLY + PUMP.replace("rated_head", "run: T_1.level, rated_head"),
        ["expected a BOOL for run, got T_1.level, a LREAL"],
        "T_1.level",
    ),
    "a reference to nothing": (
        TANK + SUPPLY + PUMP.replace("rated_head", "run: X_9.run, rated_head"),
        ["expected a value or EQUIPMENT.PORT for run, got X_9"],
        "X_9",
    ),
    "two ways to size a valve": (
        TANK + HEADER + "V_1: {type: valve, from: T_1, to: H_1, kv: 4 m3/h, bore: 20 mm}",
        ["expected kv or bore, got kv with bore"],
        "V_1:",
    ),
    "no way to size a valve": (
        TANK + HEADER + "V_1: {type: valve, from: T_1, to: H_1}",
        ["expected kv or bore, got none"],
        "V_1:",
    ),
    "a pump that rises with its flow": (
        TANK + SUPPLY + PUMP.replace("rated_head: 6 m", "rated_head: 9.5 m"),
        ["expected rated_head below shutoff_head, which is 9 m, got 9.5 m"],
        "9.5 m",
    ),
    "a range upside down": (
        TANK + "L_1: {type: level_transmitter, in: T_1, range: [2 m, 1 m]}",
        ["expected range[2] above range[1], which is 2 m, got 1 m"],
        "[2 m",
    ),
    "a range of three": (
        TANK + "L_1: {type: level_transmitter, in: T_1, range: [0 m, 1 m, 2 m]}",
        ["expected a list of 2 items, got a list"],
        "[0 m",
    ),
    "a level above an upright tank": (
        "T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 2010 mm}",
        ["initial_level at most 2 m, the height of T_1; got 2.01 m", "raise the height of T_1"],
        "2010 mm",
    ),
    "a level above a lying tank": (
        "T_1: {type: tank, diameter: 1 m, length: 4 m, initial_level: 1.1 m}",
        ["initial_level at most 1 m, the diameter of T_1; got 1.1 m"],
        "1.1 m",
    ),
    "a level above a sump": (
        "T_1: {type: tank, width: 3 m, length: 4 m, height: 2 m, initial_level: 2.5 m}",
        ["initial_level at most 2 m, the height of T_1; got 2.5 m"],
        "2.5 m",
    ),
    "a level above a tank on a cone": (
        (
            "T_1: {type: tank, diameter: 3 m, height: 2 m, bottom: cone, bottom_depth: 1 m, "
            "initial_level: 2.5 m}"
        ),
        ["initial_level at most 2 m, the height of T_1; got 2.5 m"],
        "2.5 m",
    ),
    "a bottom deeper than its tank": (
        "T_1: {type: tank, diameter: 3 m, height: 2 m, bottom: cone, bottom_depth: 3 m}",
        ["bottom_depth at most 2 m, the height of T_1; got 3 m"],
        "3 m}",
    ),
    "a switch above its tank": (
        SWITCH.replace("level: 1 m", "level: 2.2 m") + TANK,
        ["expected level at most 2 m, the height of T_1; got 2.2 m", "lower level of L_1"],
        "2.2 m",
    ),
    "a switch above a lying tank": (
        SWITCH.replace("level: 1 m", "level: 2.2 m")
        + "T_1: {type: tank, diameter: 2 m, length: 4 m}",
        ["expected level at most 2 m, the diameter of T_1; got 2.2 m"],
        "2.2 m",
    ),
    "a switch that never releases": (
        SWITCH.replace("level: 1 m", "level: 1 m, differential: 1.1 m") + TANK,
        ["expected differential at most 1 m, the level of L_1; got 1.1 m"],
        "1.1 m",
    ),
    "an agitator above its tank": (
        "A_1: {type: agitator, in: T_1, diameter: 0.3 m, speed: 90 rpm, power_number: 1, "
        "submergence: 3 m}\n" + TANK,
        ["expected submergence at most 2 m, the height of T_1; got 3 m"],
        "3 m}",
    ),
    "an unknown species": (
        "S_1: {type: supply, contains: {sallt: 3 kg/m3}}",
        ["expected one of the machine's species (salt, dye), got sallt", "did you mean salt?"],
        "3 kg/m3}}",
    ),
    "species that are none": (
        "S_1: {type: supply, contains: 3 kg/m3}",
        ["expected a mapping of species to concentrations, got '3 kg/m3'"],
        "3 kg/m3}",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_equipment(problems_of, what_stands_at, name):
    """Each error says what was expected, what came, and where."""
    equipment, parts, mark = BROKEN[name]
    problems = problems_of(equipment)
    assert len(problems) == 1, problems
    text = str(problems[0])
    for part in parts:
        assert part in text
    assert what_stands_at(equipment, problems[0].place).startswith(mark)


def test_every_error_is_found(problems_of):
    """All errors are reported, not the first."""
    problems = problems_of(
        "T_1: {type: tank, diameter: 1 s, height: 90 m}\nP_1: {type: pump}\nX_1: {type: nothing}"
    )
    assert len(problems) == 3 + 5


def test_parameters_reach_their_blocks_in_si(build):
    """Quantities arrive in SI, lists and mappings at the inputs that they are for."""
    plant = build(
        TANK
        + SUPPLY.replace("supply", "supply, contains: {dye: 12 g/L, salt: 30 kg/m3}")
        + PUMP
        + "L_1: {type: level_transmitter, in: T_1, range: [100 mm, 1.9 m], lag: 1500 ms}"
    )
    assert plant.read("P_1.rated_flow") == 40 / 60000
    assert plant.reader(["S_1.outlet_1", "S_1.outlet_2"])() == (30, 12)
    assert plant.reader(["L_1.low", "L_1.high", "L_1.lag"])() == (0.1, 1.9, 1.5)


def test_references_drive_inputs(build, run):
    """Any input may be the output of another piece of equipment."""
    plant = build(
        TANK.replace("2 m", "2 m, initial_level: 1 m")
        + HEADER
        + "V_1: {type: valve, from: T_1, to: H_1, kv: 4 m3/h, open: L_1.contact}\n"
        + SWITCH.replace("level: 1 m", "level: 0.9 m")
    )
    run(plant, 600)
    assert plant.read("T_1.level") < 0.9
    assert plant.read("T_1.level") == pytest.approx(0.9, abs=2e-3)
    assert plant.read("V_1.closed") is True


def test_lines_share_what_a_vessel_holds(build, run):
    """Lines that drain one vessel together take no more than it holds."""
    plant = build(
        "T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 0.05 m}\n"
        + HEADER
        + "".join(
            f"V_{i}: {{type: valve, from: T_1, to: H_1, kv: 900 m3/h, spring: opens}}\n"
            for i in range(4)
        ),
        "100 ms",
    )
    held = plant.read("T_1.volume")
    for _ in range(30):
        plant.step()
        assert plant.read("T_1.volume") >= 0
        total = plant.read("T_1.volume") + plant.read("H_1.received")
        assert total == pytest.approx(held, rel=1e-14)
    assert plant.read("T_1.volume") == 0


def test_a_block_of_the_users_own_is_equipment(build, run, feed, problems_of):
    """A FUNCTION_BLOCK of the machine's folder is wired and checked like any other."""
    plant = build(SUPPLY + TANK + "F_1: {type: feed, from: S_1, to: T_1, rate: 2 L/s}", blocks=feed)
    run(plant, 10)
    assert plant.read("T_1.volume") == pytest.approx(0.02)
    problems = problems_of("F_1: {type: feed, rate: 2000 L/s}", blocks=feed)
    assert [str(problem).split(" (")[0] for problem in problems] == [
        "error: expected 0 to 1 m3/s, got 2000 L/s",
        "error: expected from: a feed needs it, got none",
        "error: expected to: a feed needs it, got none",
    ]


def test_errors_in_a_users_block_are_reported(problems_of, feed):
    """An error in a block's text is reported at its place, along with the rest."""
    problems = problems_of("T_1: {type: tank, height: 90 m}", blocks=feed.replace("MIN(", "MNI("))
    text = "\n".join(map(str, problems))
    assert "rig/blocks.st:24" in text
    assert "expected 0.05 to 50 m" in text
    assert "expected a type" not in text


@pytest.mark.parametrize(
    ("pragma", "message"),
    [
        ("{unit: m3/s, mix: 0}", "expected one of"),
        ("{unit: m3/s, min: none}", "expected a number in a pragma, got 'none'"),
        ("{wire: from}", "expected KEY.PORT in a pragma, got 'from'"),
    ],
)
def test_wrong_pragmas(problems_of, feed, pragma, message):
    """A pragma that cannot be read is an error at the declaration."""
    broken = feed.replace("{unit: m3/s, min: 0, max: 1}", pragma)
    problems = problems_of(SUPPLY + TANK + "F_1: {type: feed, from: S_1, to: T_1}", blocks=broken)
    texts = [str(problem) for problem in problems]
    assert any(message in text and "rig/blocks.st:6" in text for text in texts)


CARDS = """
cards:
  DI_1: {kind: digital input, channels: 16, order_code: A}
  DO_1: {kind: digital output, channels: 16, order_code: B}
  AI_1: {kind: analog input, channels: 8, order_code: C}
points:
"""
TRANSMITTER = "LT_1: {type: level_transmitter, in: T_1, range: [0 m, 1.8 m]}"
WIRED = TANK + SUPPLY + PUMP + SWITCH + TRANSMITTER
POINTS = {
    "  A: {card: DI_1, wired: L_1.contact}": [],
    "  A: {card: DO_1, wired: P_1.run, fail_safe: false}": [],
    "  A: {card: AI_1, wired: LT_1.signal, unit: m, range: [0, 1.8]}": [],
    "  A: {card: AI_1, wired: LT_1.signal, unit: mm, range: [0, 1800]}": [],
    "  A: {card: DI_1, wired: L_2.contact}": ["equipment's name, got L_2", "did you mean L_1?"],
    "  A: {card: DI_1, wired: L_1.contcat}": ["an output of L_1", "did you mean contact?"],
    "  A: {card: DI_1, wired: T_1.level}": ["on an analog card for T_1.level, a LREAL"],
    "  A: {card: AI_1, wired: L_1.contact, unit: m, range: [0, 1]}": ["on a digital card"],
    "  A: {card: DO_1, wired: P_1.running, fail_safe: false}": ["an input of P_1", "got running"],
    "  A: {card: DO_1, wired: P_1.shutoff_head, fail_safe: false}": [
        "an input of P_1",
        "got shutoff_head",
    ],
    "  A: {card: AI_1, wired: LT_1.signal, unit: s, range: [0, 1.8]}": [
        "a unit like m for LT_1.signal, got s"
    ],
    "  A: {card: AI_1, wired: LT_1.signal, unit: m, range: [0, 1.9]}": [
        "the range of LT_1 (range: 1.8 in SI), got 1.9 m"
    ],
    "  A: {card: DO_1, wired: P_1.run, fail_safe: false}\n"
    "  B: {card: DO_1, wired: p_1.RUN, fail_safe: false}": [
        "one point to drive p_1.RUN, got A as well"
    ],
}


@pytest.mark.parametrize("points", POINTS)
def test_terminals(problems_of, points):
    """Points end at terminals of the right direction, type, unit and range."""
    problems = problems_of(WIRED, points=CARDS + points)
    parts = POINTS[points]
    assert len(problems) == bool(parts)
    for part in parts:
        assert part in str(problems[0])


def test_a_driven_input_has_no_value_of_its_own(problems_of):
    """An output point and a value in the equipment section exclude each other."""
    equipment = WIRED.replace("rated_head", "run: true, rated_head")
    points = CARDS + "  A: {card: DO_1, wired: P_1.run, fail_safe: false}"
    problems = problems_of(equipment, points=points)
    assert "expected one source for P_1.run" in str(problems[0])


def test_unknown_terminals_at_run_time(build):
    """Reading what is not there says so, with a hint."""
    plant = build(TANK)
    with pytest.raises(SoftctlError, match=r"equipment's name, got T_9: did you mean T_1\?"):
        plant.read("T_9.level")
    with pytest.raises(SoftctlError, match=r"expected EQUIPMENT\.TERMINAL, got T_1"):
        plant.read("T_1")
    with pytest.raises(SoftctlError, match="levle"):
        plant.read("T_1.levle")


def test_the_source_is_the_whole_plant(build):
    """The wired program is text that a reader can follow."""
    source = build(TANK + SUPPLY + PUMP + SWITCH).source
    assert "PROGRAM Plant" in source
    assert "T_1 : tank := (diameter := 1.0, height := 2.0, step_s := 0.01);" in source
    calls = [source.index(f"\n{name}(") for name in ("P_1", "S_1", "T_1", "L_1")]
    assert calls[0] < min(calls[1:3])
    assert max(calls[:3]) < calls[3]


def test_summary_rows(build):
    """Vessels with a height show their level, height and volume."""
    (row,) = build(TANK.replace("2 m", "2 m, initial_level: 1.5 m") + SUPPLY).summary()
    assert (row.name, row.level_m, row.height_m) == ("T_1", 1.5, 2.0)
    assert row.volume_m3 == pytest.approx(1.178097, rel=1e-6)
