"""The demo's machine file, read."""

from __future__ import annotations

import math

import pytest
from demo_file import DEMO, FILE, edited, position

from softctl.errors import ProblemsError
from softctl.machine import Address, CardKind, Machine, Role, Scalar, parse_machine
from softctl.values.registers import WordOrder
from softctl.values.tables import Table


@pytest.fixture(scope="module")
def demo() -> Machine:
    return parse_machine(DEMO, FILE)


# By hand, from the order of the file and the rules at the top of addresses.py: cards of
# each table start at 0; a point without a channel takes the first free one.
FIELD = {
    "LSL_101": (Table.DISCRETE_INPUTS, 0),
    "LSH_101": (Table.DISCRETE_INPUTS, 1),
    "P_101_RUN": (Table.DISCRETE_INPUTS, 2),
    "P_102_RUN": (Table.DISCRETE_INPUTS, 3),
    "A_101_RUN": (Table.DISCRETE_INPUTS, 4),
    "ZSO_101": (Table.DISCRETE_INPUTS, 8),
    "ZSC_101": (Table.DISCRETE_INPUTS, 9),
    "LT_101": (Table.INPUT_REGISTERS, 0),
    "P_101": (Table.COILS, 0),
    "P_102": (Table.COILS, 1),
    "A_101": (Table.COILS, 2),
    "XV_101": (Table.COILS, 8),
    "AT_101": (Table.INPUT_REGISTERS, 1),
    "FT_101": (Table.INPUT_REGISTERS, 2),
    "FT_102": (Table.INPUT_REGISTERS, 3),
}
# Input registers 0 to 15 and discrete inputs 0 to 7 are set aside for system points.
HMI = {
    "HEARTBEAT": (Table.INPUT_REGISTERS, 0, 1),
    "SCAN_COUNT": (Table.INPUT_REGISTERS, 2, 2),
    "SCAN_TIME_US": (Table.INPUT_REGISTERS, 4, 1),
    "SCAN_TIME_MAX_US": (Table.INPUT_REGISTERS, 5, 1),
    "SCAN_JITTER_US": (Table.INPUT_REGISTERS, 6, 1),
    "SCAN_JITTER_MAX_US": (Table.INPUT_REGISTERS, 7, 1),
    "OVERRUNS": (Table.INPUT_REGISTERS, 8, 2),
    "CLIENTS": (Table.INPUT_REGISTERS, 10, 1),
    "ALARMS_ACTIVE": (Table.INPUT_REGISTERS, 11, 1),
    "ALARMS_WAITING": (Table.INPUT_REGISTERS, 12, 1),
    "FORCES": (Table.INPUT_REGISTERS, 13, 1),
    "GUARDS_BROKEN": (Table.INPUT_REGISTERS, 14, 1),
    "CONTROL_STATE": (Table.INPUT_REGISTERS, 15, 1),
    "FIELD_LINK": (Table.DISCRETE_INPUTS, 0, 1),
    "COMMS_ALARM": (Table.DISCRETE_INPUTS, 1, 1),
    "PROGRAM_FAULT": (Table.DISCRETE_INPUTS, 2, 1),
    "ALARM_FLOOD": (Table.DISCRETE_INPUTS, 3, 1),
    "JOURNAL_FAULT": (Table.DISCRETE_INPUTS, 4, 1),
    "LSL_101": (Table.DISCRETE_INPUTS, 8, 1),
    "LSH_101": (Table.DISCRETE_INPUTS, 9, 1),
    "P_101_RUN": (Table.DISCRETE_INPUTS, 10, 1),
    "P_102_RUN": (Table.DISCRETE_INPUTS, 11, 1),
    "A_101_RUN": (Table.DISCRETE_INPUTS, 12, 1),
    "ZSO_101": (Table.DISCRETE_INPUTS, 13, 1),
    "ZSC_101": (Table.DISCRETE_INPUTS, 14, 1),
    "LT_101": (Table.INPUT_REGISTERS, 16, 2),
    "P_101": (Table.DISCRETE_INPUTS, 15, 1),
    "P_102": (Table.DISCRETE_INPUTS, 16, 1),
    "A_101": (Table.DISCRETE_INPUTS, 17, 1),
    "XV_101": (Table.DISCRETE_INPUTS, 18, 1),
    "START": (Table.COILS, 0, 1),
    "STOP": (Table.COILS, 1, 1),
    "STIR_TIME": (Table.HOLDING_REGISTERS, 0, 2),
    "RUNNING": (Table.DISCRETE_INPUTS, 19, 1),
    "BATCHES": (Table.INPUT_REGISTERS, 18, 2),
    "FEED_STEP": (Table.INPUT_REGISTERS, 20, 1),
    "AT_101": (Table.INPUT_REGISTERS, 22, 2),
    "FT_101": (Table.INPUT_REGISTERS, 24, 2),
    "FT_102": (Table.INPUT_REGISTERS, 26, 2),
    "RELEASE": (Table.COILS, 2, 1),
    "COND_LOW": (Table.HOLDING_REGISTERS, 2, 2),
    "COND_HIGH": (Table.HOLDING_REGISTERS, 4, 2),
    "S_101_STRENGTH": (Table.HOLDING_REGISTERS, 6, 2),
    "S_102_STRENGTH": (Table.HOLDING_REGISTERS, 8, 2),
    "CALCIUM": (Table.INPUT_REGISTERS, 28, 2),
    "POTASSIUM": (Table.INPUT_REGISTERS, 30, 2),
    "EVEN": (Table.DISCRETE_INPUTS, 20, 1),
    "OFF_SPEC": (Table.DISCRETE_INPUTS, 21, 1),
    "FEED_ALARM": (Table.DISCRETE_INPUTS, 22, 1),
    "BLEND_ALARM": (Table.DISCRETE_INPUTS, 23, 1),
}


def test_field_addresses(demo: Machine) -> None:
    """Every wired point has the channel's address that hand allocation gives."""
    found = {
        name: (point.field.table, point.field.address)
        for name, point in demo.points.items()
        if point.field is not None
    }
    assert found == FIELD


def test_hmi_addresses(demo: Machine) -> None:
    """Every point has the HMI address that hand allocation gives, system points first."""
    found = {
        name: (point.hmi.table, point.hmi.address, point.hmi.count)
        for name, point in demo.points.items()
        if point.hmi is not None
    }
    assert found == HMI
    assert list(demo.points)[:8] == list(HMI)[:8]


def test_figures_are_si_and_nanoseconds(demo: Machine) -> None:
    """Times are nanoseconds, endpoints and cards hold what the file says."""
    assert (demo.scan_ns, demo.fail_safe_after_ns, demo.plant_step_ns, demo.seed) == (
        50_000_000,
        500_000_000,
        10_000_000,
        7,
    )
    assert (demo.field.host, demo.field.port, demo.field.unit) == ("127.0.0.1", 15_020, 1)
    assert demo.field.word_order is WordOrder.ABCD
    assert (demo.hmi.port, demo.hmi.word_order) == (15_021, WordOrder.CDAB)
    assert demo.cards["AI_1"].raw == (4000, 20_000)
    assert demo.cards["DI_1"].kind is CardKind.DIGITAL_INPUT
    assert demo.cards["DI_1"].order_code == "FH-DI-16"
    assert demo.species == ("calcium nitrate", "potassium nitrate")
    assert [program.value for program in demo.programs] == ["feed.st"]


def test_points_carry_what_they_are(demo: Machine) -> None:
    """Roles, types, logic sense, limits and values come from the file."""
    points = demo.points
    assert points["LSL_101"].role is Role.INPUT
    assert not points["LSL_101"].inverted
    assert points["LSH_101"].inverted
    assert points["XV_101"].fail_safe is False
    level = points["LT_101"]
    assert (level.type.name, level.unit, level.low, level.high) == ("REAL", "m", 0.0, 1.38)
    assert level.raw == (4000, 20_000)
    assert level.terminal == "LT_101.signal"
    stir = points["STIR_TIME"]
    assert (stir.initial, stir.low, stir.high) == (75 * 10**9, 5 * 10**9, 900 * 10**9)
    assert points["FEED_STEP"].chart == "Feed"
    assert points["BATCHES"].source == ""
    assert not points["START"].hold


def test_wiring_and_logic_sense_are_separate(demo: Machine) -> None:
    """One switch is normally open, the other normally closed, and each says when it is TRUE."""
    contacts = {
        name: demo.equipment[name].parameters["contact"].value for name in ("LSL_101", "LSH_101")
    }
    assert contacts == {"LSL_101": "normally_open", "LSH_101": "normally_closed"}


def test_places_lead_back_to_the_file(demo: Machine) -> None:
    """Points, terminals and parameters know where they stand."""
    place = demo.points["LT_101"].terminal_place
    assert place is not None
    assert (place.line, place.column) == position(DEMO, "wired: |LT_101.signal")
    assert place.path == "points.LT_101.wired"
    speed = demo.equipment["A_101"].parameters["speed"]
    assert speed.value == "190 rpm"
    assert (speed.place.line, speed.place.column) == position(DEMO, "speed: |190 rpm")
    assert speed.place.path == "equipment.A_101.speed"


def test_nested_parameters_keep_their_places(demo: Machine) -> None:
    """Lists and mappings of the equipment section are scalars all the way down."""
    contains = demo.equipment["S_101"].parameters["contains"].value
    assert isinstance(contains, dict)
    nitrate = contains["calcium nitrate"]
    assert isinstance(nitrate, Scalar)
    assert nitrate.place.path == "equipment.S_101.contains.calcium nitrate"
    ends = demo.equipment["LT_101"].parameters["range"].value
    assert isinstance(ends, tuple)
    assert [end.value for end in ends] == ["0 m", "1.38 m"]


def test_the_cycle_lasts_some_minutes(demo: Machine) -> None:
    """The figures fit together: volume over flow gives a cycle of 6 to 10 minutes.

    By hand: the tank's section times the way between the switches, over the pumps' rated
    flows; Torricelli's law for the discharge, with the flow coefficient's definition of
    IEC 60534-2-1 (flow in m3/h at 1 bar) and g = 9.80665 m/s2.
    """

    def figure(name: str, key: str) -> float:
        value = demo.equipment[name].parameters[key].value
        assert isinstance(value, str)
        return float(value.split()[0])

    area = math.pi / 4 * figure("T_101", "diameter") ** 2
    low, high = figure("LSL_101", "level"), figure("LSH_101", "level")
    flow = (figure("P_101", "rated_flow") + figure("P_102", "rated_flow")) / 60_000
    drop = figure("T_101", "elevation") - figure("H_101", "elevation")
    coefficient = figure("XV_101", "kv") / 3600 * math.sqrt(9.80665 / 100)
    feed_s = area * (high - low) / flow
    discharge_s = 2 * area * (math.sqrt(high + drop) - math.sqrt(low + drop)) / coefficient
    assert 120 < feed_s < 200
    assert 100 < discharge_s < 140
    assert 6 * 60 < feed_s + 75 + discharge_s < 10 * 60


def test_the_same_text_gives_the_same_machine() -> None:
    """Reading is deterministic."""
    assert parse_machine(DEMO, FILE) == parse_machine(DEMO, FILE)


def test_a_point_added_at_the_end_moves_nothing(demo: Machine) -> None:
    """Addresses of the points before it stay as they are."""
    more = DEMO + "  DOSE: {role: setpoint, type: REAL, unit: L, range: [0.5, 12]}\n"
    longer = parse_machine(more, FILE)
    for name, point in demo.points.items():
        assert (point.field, point.hmi) == (longer.points[name].field, longer.points[name].hmi)
    dose = longer.points["DOSE"]
    assert dose.hmi == Address(Table.HOLDING_REGISTERS, 10, 2)
    assert dose.initial == 0.5
    assert dose.si_scale == 0.001


def test_pins_are_honoured_and_gaps_are_filled_around_them() -> None:
    """A pinned value stays, the automatic ones go round it, wide ones on even addresses."""
    added = """
  A: {role: setpoint, type: INT}
  B: {role: setpoint, type: REAL, hmi_address: 13}
  C: {role: setpoint, type: DINT}
  D: {role: setpoint, type: LREAL}
  E: {role: setpoint, type: UINT}
"""
    points = parse_machine(DEMO.rstrip() + added, FILE).points
    found = {name: points[name].hmi for name in "ABCDE"}
    # The demo holds 0 to 9; B holds 13 and 14, so C's first even pair is 16 (12 would meet
    # B), D needs a multiple of four, and nothing goes back to the gap at 11.
    addresses = {name: address.address for name, address in found.items() if address is not None}
    assert addresses == {"A": 10, "B": 13, "C": 16, "D": 20, "E": 24}


def test_a_point_can_be_kept_from_the_hmi() -> None:
    """`hmi: false` leaves the field address and takes the HMI address away."""
    text = edited(("    channel: 9\n", "    channel: 9\n    hmi: false\n"))
    point = parse_machine(text, FILE).points["ZSC_101"]
    assert point.hmi is None
    assert point.field == Address(Table.DISCRETE_INPUTS, 9)


def test_ranges_may_carry_units_of_their_own() -> None:
    """A range in another unit of the same dimension is converted to the point's unit."""
    text = edited(("    range: [0, 1.38]", "    range: [0 mm, 1380 mm]"))
    level = parse_machine(text, FILE).points["LT_101"]
    assert (level.low, level.high) == (0.0, 1.38)


def test_temperatures_have_an_offset() -> None:
    """An analog point in degC knows the offset to kelvins."""
    text = edited(("    unit: m\n    range: [0, 1.38]", "    unit: degC\n    range: [-5, 95]"))
    point = parse_machine(text, FILE).points["LT_101"]
    assert (point.low, point.high) == (-5.0, 95.0)
    assert point.low * point.si_scale + point.si_offset == 268.15


def test_analog_outputs() -> None:
    """An analog output sits in a holding register with its fail-safe value."""
    text = DEMO.replace(
        "equipment:\n", "  AO_1: {kind: analog output, channels: 4, raw: [0, 27648]}\nequipment:\n"
    )
    text += "  SC_101: {card: AO_1, channel: 2, unit: '%', range: [0, 100], fail_safe: 12.5}\n"
    point = parse_machine(text, FILE).points["SC_101"]
    assert point.field == Address(Table.HOLDING_REGISTERS, 2)
    assert (point.role, point.fail_safe, point.raw) == (Role.OUTPUT, 12.5, (0, 27_648))


def test_a_machine_without_points_is_still_a_machine() -> None:
    """Name and programs are all that a file needs; servers default to loopback."""
    machine = parse_machine("name: bare\nprograms: [a.st]\n", "bare.yaml")
    assert machine.field.host == machine.hmi.host == "127.0.0.1"
    assert all(point.role is Role.SYSTEM for point in machine.points.values())


@pytest.mark.parametrize("host", ["192.0.2.7", "2001:db8::7", "skid-1.example", "localhost"])
def test_hosts_that_may_be_driven_are_kept(host: str) -> None:
    """`drives` takes addresses (RFC 5737 and RFC 3849 examples here) and host names."""
    machine = parse_machine(edited(("[field]", f"['{host}']")), FILE)
    assert machine.drives == (host,)


@pytest.mark.parametrize("host", ["", "192.0.2", "-x", "a b", "http://a", "192.0.2.7:502"])
def test_what_is_no_host_is_refused(host: str) -> None:
    """A mistyped address never passes for a name."""
    text = edited(("[field]", f"['{host}']"))
    with pytest.raises(ProblemsError, match="expected a host name or an IP address") as caught:
        parse_machine(text, FILE)
    assert caught.value.problems[0].place.path == "drives[0]"
