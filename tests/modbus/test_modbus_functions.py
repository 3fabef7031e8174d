"""Functions 07, 08, 11, 12, 17, 20, 21, 24 and 43/14.

Modbus Application Protocol Specification V1.1b3; section numbers are that document's.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu import diag_message as diag
from pymodbus.pdu import file_message as file_
from pymodbus.pdu import mei_message as mei
from pymodbus.pdu import other_message as other

from softctl.modbus import Bank, Client, Device, Diagnostics, Identification, Server
from softctl.modbus.frames import FrameSplitter, encode_frame
from softctl.modbus.functions import FUNCTIONS
from softctl.modbus.server import Send
from softctl.values.tables import Table

EXAMPLE_ID = Identification(
    "Company identification", "Product code XX", "V2.11", is_individual=False
)


def _hex(text: str) -> bytes:
    return bytes.fromhex(text)


def _serial(**state: Any) -> Device:
    diagnostics = Diagnostics(server_id=b"\x2a\x2b", exception_status=0x6D)
    for name, value in state.items():
        setattr(diagnostics, name, value)
    return Device(Bank({Table.COILS: [(0, 8)]}), diagnostics=diagnostics)


def _files() -> Device:
    files = {number: bytearray(2 * 10_001) for number in (1, 3, 4)}
    files[4][2:6] = _hex("0DFE 0020")
    files[3][18:22] = _hex("33CD 0040")
    return Device(Bank({}), files=files)


def _fifo(values: list[int]) -> Device:
    return Device(Bank({}), fifos={0x04DE: values})


def _log() -> Device:
    device = _serial()
    state = device.diagnostics
    assert state is not None
    # The example's state before the request: the events in its reply are the newest two.
    state.event_count, state.messages = 0x108, 0x120
    state.events.extend([0x20, 0x00])
    state.note_request = lambda: setattr(state, "messages", state.messages + 1)
    return device


EXAMPLES: list[tuple[str, Callable[[], Device], str, str]] = [
    ("6.7", _serial, "07", "07 6D"),
    ("6.8", _serial, "08 0000 A537", "08 0000 A537"),
    ("6.9", lambda: _serial(event_count=0x108), "0B", "0B 0000 0108"),
    ("6.10", _log, "0C", "0C 08 0000 0108 0121 20 00"),
    ("6.13", _serial, "11", "11 03 2A2B FF"),
    (
        "6.14",
        _files,
        "14 0E 06 0004 0001 0002 06 0003 0009 0002",
        "14 0C 05 06 0DFE 0020 05 06 33CD 0040",
    ),
    (
        "6.15",
        _files,
        "15 0D 06 0004 0007 0003 06AF 04BE 100D",
        "15 0D 06 0004 0007 0003 06AF 04BE 100D",
    ),
    ("6.18", lambda: _fifo([0x01B8, 0x1284]), "18 04DE", "18 0006 0002 01B8 1284"),
    (
        "6.21",
        lambda: Device(Bank({}), identification=EXAMPLE_ID),
        "2B 0E 01 00",
        (
            "2B0E0101000003 0016 436F6D70616E79206964656E74696669636174696F6E"
            "010F 50726F6475637420636F6465205858 0205 56322E3131"
        ),
    ),
]
IDS = [f"section {example[0]}" for example in EXAMPLES]


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_a_worked_example_is_answered_as_printed(example) -> None:
    """The request of each section gets its reply.

    Section 6.9's example has status FFFF, a program command being worked on, which a
    device of ours never has; 6.13 prints no figures; 6.21's length byte is corrected.
    """
    _, build, request, reply = example
    assert build().answer(_hex(request)) == _hex(reply)


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
@pytest.mark.parametrize("size", [1, 3, 400])
def test_frames_of_every_function_survive_any_cut(example, size: int) -> None:
    """Byte by byte, in threes and whole, between two other frames, the reply is the same."""
    _, build, request, reply = example
    connection = Server([build()]).connect(Client("test"))
    frame = encode_frame(0x1501, 0xFF, _hex(request))
    discarded = encode_frame(1, 0xFF, b"\x03\0\0\0\1", protocol=9)
    stream = discarded + frame + discarded
    actions = [
        action
        for start in range(0, len(stream), size)
        for action in connection.receive(stream[start : start + size], 3)
    ]
    assert actions == [Send(3, encode_frame(0x1501, 0xFF, _hex(reply)))]


def test_a_device_without_the_data_refuses_the_function() -> None:
    """Exception 01, so over TCP the serial-line functions are refused unless switched on."""
    device = Device(Bank({}))
    for code in (0x07, 0x08, 0x0B, 0x0C, 0x11, 0x14, 0x15, 0x18, 0x2B):
        assert code in FUNCTIONS
        assert device.answer(bytes((code,))) == bytes((code | 0x80, 1))


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_a_pdu_of_the_wrong_length_is_exception_03(example) -> None:
    """Section 7: a length that is not the implied one is an illegal data value."""
    _, build, request, _ = example
    pdu = _hex(request)
    for wrong in [*(pdu[:size] for size in range(1, len(pdu))), pdu + b"\0"]:
        assert build().answer(wrong) == bytes((pdu[0] | 0x80, 3)), wrong.hex(" ")


# Section 6.8, function 08 --------------------------------------------------------------


@pytest.mark.parametrize("data", ["A537", "A537 0001 FFFF", "00" * 250])
def test_query_data_of_any_length_comes_back(data: str) -> None:
    """Sub-function 0 loops the data field back as it was."""
    pdu = _hex("08 0000" + data)
    assert _serial().answer(pdu) == pdu


@pytest.mark.parametrize("sub", [5, 6, 9, 19, 21, 22, 100, 0xFFFF])
def test_a_reserved_sub_function_is_exception_01(sub: int) -> None:
    """Sub-functions 5-9, 19 and 21 on are not there, whatever their data."""
    assert _serial().answer(b"\x08" + sub.to_bytes(2, "big") + b"\0\0") == b"\x88\x01"


@pytest.mark.parametrize(
    "request_", ["08 0001 0001", "08 0002 0001", "08 0003 0A01", "08 000B 1000", "08 0000 12"]
)
def test_a_wrong_data_field_is_exception_03(request_: str) -> None:
    """Each sub-function says what its data field must be."""
    assert _serial().answer(_hex(request_)) == b"\x88\x03"


def _counter(device: Device, sub: int) -> int:
    reply = device.answer(b"\x08" + sub.to_bytes(2, "big") + b"\0\0")
    assert reply[:3] == b"\x08" + sub.to_bytes(2, "big")
    return int.from_bytes(reply[3:], "big")


def test_counters_count_and_are_cleared() -> None:
    """Sub-functions 11, 13, 14 and function 11 follow what was asked; 10 clears them."""
    device = _serial()
    device.answer(_hex("01 0000 0001"))
    device.answer(_hex("01 0009 0001"))
    assert _counter(device, 11) == 3
    assert _counter(device, 13) == 1
    assert _counter(device, 14) == 5
    assert device.answer(b"\x0b") == _hex("0B 0000 0004")  # the exception does not count
    assert device.answer(b"\x0b") == _hex("0B 0000 0004")  # nor does asking
    assert device.answer(_hex("08 000A 0000")) == _hex("08 000A 0000")
    assert (_counter(device, 13), _counter(device, 11)) == (0, 2)


@pytest.mark.parametrize(
    ("sub", "name"), [(12, "bus_errors"), (16, "naks"), (17, "busies"), (18, "overruns")]
)
def test_line_counters_are_the_owners(sub: int, name: str) -> None:
    """Counters of the serial line show what their owner put there; 20 clears overruns."""
    device = _serial(**{name: 0x1_0007})
    assert _counter(device, sub) == 7
    device.answer(_hex("08 0014 0000"))
    assert _counter(device, sub) == (0 if name == "overruns" else 7)


def test_listen_only_mode_answers_nothing_but_ends_with_a_restart() -> None:
    """Sub-function 4 gets no reply, nor does anything after it, nor the restart itself."""
    device = _serial()
    assert device.answer(_hex("08 0004 0000")) == b""
    assert device.answer(_hex("05 0000 FF00")) == b""
    assert not any(device.bank.bits(Table.COILS))
    assert device.answer(_hex("08 0001 0000")) == b""
    assert device.answer(_hex("05 0000 FF00")) == _hex("05 0000 FF00")
    assert device.answer(_hex("08 0001 FF00")) == _hex("08 0001 FF00")
    connection = Server([device]).connect(Client("test"))
    assert connection.receive(encode_frame(1, 1, _hex("08 0004 0000")), 0) == []
    assert connection.client.discarded == 1


def test_the_event_log_shows_the_newest_events_first() -> None:
    """Section 6.10: receive 80, send 40, exception 41, 04 entering listen-only, 64 at most."""
    device = _serial()
    device.answer(_hex("01 0000 0001"))
    device.answer(_hex("01 0009 0001"))
    reply = device.answer(b"\x0c")
    assert reply == _hex("0C 0B 0000 0001 0003 80 41 80 40 80")
    device.answer(_hex("08 0004 0000"))
    device.answer(_hex("01 0000 0001"))
    device.answer(_hex("08 0001 0000"))
    events = device.answer(b"\x0c")[8:]
    assert events[:6] == _hex("80 00 A0 A0 04 80")
    for _ in range(100):
        device.answer(_hex("01 0000 0001"))
    assert device.answer(b"\x0c")[:2] == bytes((0x0C, 6 + 64))


def test_the_diagnostic_register_and_the_run_indicator_are_the_owners() -> None:
    """Sub-function 2 and function 17 show what the owner set."""
    device = _serial(register=0x1234, is_running=False)
    assert device.answer(_hex("08 0002 0000")) == _hex("08 0002 1234")
    assert device.answer(b"\x11") == _hex("11 03 2A2B 00")


# Sections 6.14 and 6.15, functions 20 and 21 --------------------------------------------


def test_a_written_record_is_read_back() -> None:
    """Function 20 returns what function 21 wrote and the neighbours are untouched."""
    device = _files()
    device.answer(_hex("15 0D 06 0004 0007 0003 06AF 04BE 100D"))
    reply = device.answer(_hex("14 07 06 0004 0006 0005"))
    assert reply == _hex("14 0C 0B 06 0000 06AF 04BE 100D 0000")


@pytest.mark.parametrize(
    "span",
    [
        "06 0004 2711 0001",  # record 10001 does not exist
        "06 0004 2710 0001",  # exists in memory, over 270F
        "06 0002 0001 0001",  # no such file
        "06 0000 0001 0001",  # file 0
        "05 0004 0001 0001",  # reference type
    ],
)
def test_a_record_that_is_not_there_is_exception_02(span: str) -> None:
    """File, record and reference type are checked for both functions before any effect."""
    device = _files()
    before = bytes(device.files[4])
    assert device.answer(_hex("14 07" + span)) == b"\x94\x02"
    good = "06 0004 0000 0001 BEEF"
    assert device.answer(_hex("15 12" + good + span + "0000")) == b"\x95\x02"
    assert device.files[4] == before


@pytest.mark.parametrize(
    "request_",
    [
        "14 00",
        "14 06 06 0004 0001 00",
        "14 07 06 0004 0000 007A",  # a reply of 2 + 2 * 122 bytes is over F5
        "14 F6" + "06 0004 0000 0001" * 35 + "06",
        "15 07 06 0004 0000 0000",
        "15 0A 06 0004 0000 0001 0000 00",
        "15 0B 06 0004 0000 0001 0000 0000",
    ],
)
def test_a_wrong_byte_count_is_exception_03(request_: str) -> None:
    """Counts outside their limits, parts of sub-requests and replies that do not fit."""
    pdu = _hex(request_)
    assert _files().answer(pdu) == bytes((pdu[0] | 0x80, 3))


def test_the_longest_requests_are_done() -> None:
    """F5 bytes of function 20 (35 sub-requests) and FB of function 21 (122 records)."""
    device = _files()
    head = "14 F5" + "06 0004 0000 0001" * 35
    assert device.answer(_hex(head))[:2] == _hex("14 8C")
    assert device.answer(_hex("14 07 06 0004 0000 0079"))[:2] == _hex("14 F4")
    pdu = _hex("15 FB 06 0004 0000 007A" + "BEEF" * 122)
    assert device.answer(pdu) == pdu
    assert device.files[4][:244] == b"\xbe\xef" * 122


# Section 6.18, function 24 ---------------------------------------------------------------


def test_a_queue_keeps_its_values_when_read() -> None:
    """Reading does not clear; an empty queue and one of 31 are fine."""
    values = list(range(31))
    device = _fifo(values)
    first = device.answer(_hex("18 04DE"))
    assert first[:5] == _hex("18 0040 001F")
    assert device.answer(_hex("18 04DE")) == first
    values.clear()
    assert device.answer(_hex("18 04DE")) == _hex("18 0002 0000")


def test_a_queue_is_checked_by_address_then_count() -> None:
    """No queue there is 02, more than 31 values 03."""
    device = _fifo(list(range(32)))
    assert device.answer(_hex("18 04DF")) == b"\x98\x02"
    assert device.answer(_hex("18 04DE")) == b"\x98\x03"


# Section 6.21, function 43/14 --------------------------------------------------------------


def _identified(**objects: int) -> Device:
    texts = {3: "http://fernhollow.invalid", 4: "Feed rig", 0x80: "Bay 2"}
    return Device(Bank({}), identification=Identification("Fernhollow", "FH-1", "1.0", texts))


@pytest.mark.parametrize(
    ("code", "ids"), [(1, [0, 1, 2]), (2, [0, 1, 2, 3, 4]), (3, [0, 1, 2, 3, 4, 0x80])]
)
def test_a_category_is_streamed(code: int, ids: list[int]) -> None:
    """Basic, regular and extended hold their objects in order, at conformity level 83."""
    reply = _identified().answer(bytes((0x2B, 0x0E, code, 0)))
    assert reply[:7] == bytes((0x2B, 0x0E, code, 0x83, 0, 0, len(ids)))
    assert list(_objects(reply)) == ids


def _objects(reply: bytes) -> dict[int, bytes]:
    found, start = {}, 7
    while start < len(reply):
        size = reply[start + 1]
        found[reply[start]] = reply[start + 2 : start + 2 + size]
        start += 2 + size
    assert len(found) == reply[6]
    return found


def test_one_object_can_be_asked_for() -> None:
    """Code 4 returns that object; an unknown one is 02; without the ability it is 03."""
    device = _identified()
    assert device.answer(_hex("2B 0E 04 04")) == _hex("2B 0E 04 83 00 00 01 04 08") + b"Feed rig"
    assert device.answer(_hex("2B 0E 04 05")) == b"\xab\x02"
    stream_only = Device(Bank({}), identification=EXAMPLE_ID)
    assert stream_only.answer(_hex("2B 0E 04 00")) == b"\xab\x03"


def test_a_stream_from_an_unknown_object_begins_again() -> None:
    """An object id that is not there starts at 0, a known one starts at itself."""
    device = _identified()
    assert list(_objects(device.answer(_hex("2B 0E 02 03")))) == [3, 4]
    assert list(_objects(device.answer(_hex("2B 0E 02 07")))) == [0, 1, 2, 3, 4]


def test_a_stream_that_does_not_fit_is_continued() -> None:
    """More follows FF with the next object; each reply fits a PDU of 253 bytes."""
    texts = dict.fromkeys(range(0x80, 0x85), "x" * 100)
    identification = Identification("V" * 244, "P", "R", texts)
    device = Device(Bank({}), identification=identification)
    found: dict[int, bytes] = {}
    next_id, more = 0, 0xFF
    while more:
        reply = device.answer(bytes((0x2B, 0x0E, 3, next_id)))
        assert len(reply) <= 253
        found |= _objects(reply)
        more, next_id = reply[4], reply[5]
    assert next_id == 0
    assert found == identification.objects


@pytest.mark.parametrize("code", [0, 5, 255])
def test_an_illegal_read_code_is_exception_03(code: int) -> None:
    """Codes 1 to 4 only."""
    assert _identified().answer(bytes((0x2B, 0x0E, code, 0))) == b"\xab\x03"


@pytest.mark.parametrize("mei_type", [0x00, 0x0D, 0x0F, 0xFF])
def test_another_mei_type_is_exception_01(mei_type: int) -> None:
    """Type 13 belongs to another network and is not there, all else is reserved."""
    assert _identified().answer(bytes((0x2B, mei_type, 1, 0))) == b"\xab\x01"


@pytest.mark.parametrize(
    ("objects", "level"), [({}, 0x81), ({6: "a"}, 0x82), ({0x7F: "a"}, 0x82), ({0x80: "a"}, 0x83)]
)
def test_the_conformity_level_follows_from_the_objects(objects, level: int) -> None:
    """Basic, regular, extended, each with single objects."""
    assert Identification("v", "p", "r", objects).conformity == level


def test_objects_that_cannot_be_sent_are_refused() -> None:
    """Ids 0 to 2 have their own arguments and a text must fit one PDU."""
    with pytest.raises(ValueError, match="between 3 and 255, got 2"):
        Identification("v", "p", "r", {2: "x"})
    with pytest.raises(ValueError, match="at most 244 bytes, got 245 for object 0"):
        Identification("v" * 245, "p", "r")


# pymodbus as oracle -----------------------------------------------------------------------


def _exchange(request, device: Device):
    frame = FramerSocket(DecodePDU(False)).buildFrame(request)
    (ours,) = FrameSplitter().feed(frame)
    answer = encode_frame(ours.transaction, ours.unit, device.answer(ours.pdu))
    used, reply = FramerSocket(DecodePDU(False)).handleFrame(answer, 0, 0)
    assert used == len(answer)
    assert reply.function_code == request.function_code
    return reply


def test_pymodbus_understands_the_serial_functions() -> None:
    """Its requests are answered and its decoders read our replies."""
    device = _serial(register=0x1234)
    assert _exchange(other.ReadExceptionStatusRequest(), device).status == 0x6D
    assert _exchange(diag.ReturnDiagnosticRegisterRequest(), device).message == 0x1234
    assert _exchange(diag.ReturnQueryDataRequest(b"\x12\x34"), device).message == b"\x12\x34"
    assert _exchange(other.GetCommEventCounterRequest(), device).count == 3
    log = _exchange(other.GetCommEventLogRequest(), device)
    assert (log.event_count, log.message_count) == (3, 5)
    reply = _exchange(other.ReportDeviceIdRequest(), device)
    assert reply.identifier == b"\x2a\x2b"


def test_pymodbus_understands_files_queues_and_identification() -> None:
    """Records, queues and objects come out as they were put in."""
    device = _files()
    # pymodbus counts record lengths in bytes and sends registers.
    records = [file_.FileRecord(file_number=4, record_number=1, record_length=4)]
    reply = _exchange(file_.ReadFileRecordRequest(records), device)
    assert reply.records[0].record_data == _hex("0DFE 0020")
    written = [file_.FileRecord(file_number=4, record_number=7, record_data=b"\xbe\xef")]
    _exchange(file_.WriteFileRecordRequest(written), device)
    assert device.files[4][14:16] == b"\xbe\xef"
    assert _exchange(file_.ReadFifoQueueRequest(0x04DE), _fifo([7, 8])).values == [7, 8]
    request = mei.ReadDeviceInformationRequest(read_code=2, object_id=0)
    information = _exchange(request, _identified()).information
    assert information[0] == b"Fernhollow"
    assert information[4] == b"Feed rig"
