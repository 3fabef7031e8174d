"""Our codec against pymodbus's and scapy's on random valid frames."""

from __future__ import annotations

from struct import unpack

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu import bit_message as bit
from pymodbus.pdu import register_message as reg

from softctl.modbus import Bank, Device, Diagnostics
from softctl.modbus.bits import pack_bits
from softctl.modbus.frames import FrameSplitter, encode_frame
from softctl.values.tables import Table

SIZE = 4000
addresses = st.integers(0, SIZE - 1)


def _device(seed: int) -> Device:
    bank = Bank({table: [(0, SIZE)] for table in Table})
    for index, table in enumerate(Table):
        area = bank.area(table)
        pattern = bytes((i * 37 + seed + index) % 251 for i in range(len(area.memory)))
        area.memory[:] = bytes(b & 1 for b in pattern) if table.is_bits else pattern
    return Device(bank)


def _reply(request, device: Device):
    """What pymodbus's client decoder makes of our answer to its request."""
    frame = FramerSocket(DecodePDU(False)).buildFrame(request)
    (ours,) = FrameSplitter().feed(frame)
    answer = encode_frame(ours.transaction, ours.unit, device.answer(ours.pdu))
    used, reply = FramerSocket(DecodePDU(False)).handleFrame(
        answer, request.dev_id, request.transaction_id
    )
    assert used == len(answer)
    assert (reply.dev_id, reply.transaction_id) == (request.dev_id, request.transaction_id)
    assert reply.function_code == request.function_code
    return reply


@settings(max_examples=150)
@given(st.sampled_from([1, 2]), addresses, st.integers(1, 2000), st.integers(1, 65000))
def test_bits_read_as_pymodbus_reads_them(code, address, count, transaction) -> None:
    """pymodbus's request and decoder see the bits that the bank holds."""
    device, count = _device(count), min(count, SIZE - address)
    kind = bit.ReadCoilsRequest if code == 1 else bit.ReadDiscreteInputsRequest
    reply = _reply(kind(address=address, count=count, dev_id=1, transaction_id=transaction), device)
    table = Table.COILS if code == 1 else Table.DISCRETE_INPUTS
    assert bytes(reply.bits[:count]) == device.bank.bits(table)[address : address + count]
    assert not any(reply.bits[count:])


@settings(max_examples=150)
@given(st.sampled_from([3, 4]), addresses, st.integers(1, 125), st.integers(1, 65000))
def test_registers_read_as_pymodbus_reads_them(code, address, count, transaction) -> None:
    """pymodbus's request and decoder see the registers that the bank holds."""
    device, count = _device(count), min(count, SIZE - address)
    kind = reg.ReadHoldingRegistersRequest if code == 3 else reg.ReadInputRegistersRequest
    reply = _reply(kind(address=address, count=count, dev_id=1, transaction_id=transaction), device)
    table = Table.HOLDING_REGISTERS if code == 3 else Table.INPUT_REGISTERS
    held = device.bank.registers(table)[2 * address : 2 * (address + count)]
    assert reply.registers == list(unpack(f">{count}H", held))


@settings(max_examples=150)
@given(addresses, st.lists(st.booleans(), min_size=1, max_size=1968))
def test_coils_written_by_pymodbus_are_held(address, values) -> None:
    """Functions 05 and 15 store what pymodbus encodes and nothing beside it."""
    device, values = _device(3), values[: SIZE - address]
    expected = bytearray(device.bank.bits(Table.COILS))
    expected[address : address + len(values)] = bytes(values)
    reply = _reply(bit.WriteMultipleCoilsRequest(address=address, bits=values, dev_id=1), device)
    assert (reply.address, reply.count) == (address, len(values))
    assert device.bank.bits(Table.COILS) == expected
    expected[address] = not values[0]
    _reply(bit.WriteSingleCoilRequest(address=address, bits=[not values[0]], dev_id=1), device)
    assert device.bank.bits(Table.COILS) == expected


@settings(max_examples=150)
@given(addresses, st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=121))
def test_registers_written_by_pymodbus_are_held(address, values) -> None:
    """Functions 06, 16 and 23 store what pymodbus encodes and nothing beside it."""
    device, values = _device(5), values[: SIZE - address]
    held = device.bank.registers(Table.HOLDING_REGISTERS)
    expected = bytearray(held)
    data = b"".join(value.to_bytes(2, "big") for value in values)
    expected[2 * address : 2 * address + len(data)] = data
    _reply(reg.WriteMultipleRegistersRequest(address=address, registers=values, dev_id=1), device)
    assert held == expected
    flipped = [value ^ 0xFFFF for value in values]
    reply = _reply(
        reg.ReadWriteMultipleRegistersRequest(
            read_address=address,
            read_count=len(values),
            write_address=address,
            write_registers=flipped,
        ),
        device,
    )
    assert reply.registers == flipped
    _reply(reg.WriteSingleRegisterRequest(address=address, registers=[4242], dev_id=1), device)
    assert held[2 * address : 2 * address + 2] == (4242).to_bytes(2, "big")


@settings(max_examples=150)
@given(addresses, st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_mask_write_is_pymodbuss_mask_write(address, and_mask, or_mask) -> None:
    """Function 22 computes (current AND and) OR (or AND NOT and)."""
    device = _device(7)
    held = device.bank.registers(Table.HOLDING_REGISTERS)
    current = int.from_bytes(held[2 * address : 2 * address + 2], "big")
    _reply(
        reg.MaskWriteRegisterRequest(address=address, and_mask=and_mask, or_mask=or_mask), device
    )
    value = int.from_bytes(held[2 * address : 2 * address + 2], "big")
    assert value == (current & and_mask) | (or_mask & (0xFFFF ^ and_mask))


@pytest.fixture(scope="module")
def scapy_modbus():
    """scapy's independent codec."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from scapy.contrib import modbus
    return modbus


@settings(max_examples=60)
@given(
    st.sampled_from(["01", "02", "03", "04", "06", "10", "17"]),
    addresses,
    st.integers(1, 100),
    st.integers(0, 0xFFFF),
    st.integers(0, 255),
)
def test_scapy_agrees_on_requests_and_replies(
    scapy_modbus, code, address, count, transaction, unit
) -> None:
    """scapy's frames split as it built them, and our replies parse as it expects."""
    count = min(count, SIZE - address)
    words = [(7 * i) & 0xFFFF for i in range(count)]
    build = {
        "01": lambda m: m.ModbusPDU01ReadCoilsRequest(startAddr=address, quantity=count),
        "02": lambda m: m.ModbusPDU02ReadDiscreteInputsRequest(startAddr=address, quantity=count),
        "03": lambda m: m.ModbusPDU03ReadHoldingRegistersRequest(startAddr=address, quantity=count),
        "04": lambda m: m.ModbusPDU04ReadInputRegistersRequest(startAddr=address, quantity=count),
        "06": lambda m: m.ModbusPDU06WriteSingleRegisterRequest(
            registerAddr=address, registerValue=count
        ),
        "10": lambda m: m.ModbusPDU10WriteMultipleRegistersRequest(
            startAddr=address, outputsValue=words
        ),
        "17": lambda m: m.ModbusPDU17ReadWriteMultipleRegistersRequest(
            readStartingAddr=address,
            readQuantityRegisters=count,
            writeStartingAddr=address,
            writeRegistersValue=words,
        ),
    }[code]
    device = _device(count)
    frame = bytes(
        scapy_modbus.ModbusADURequest(transId=transaction, unitId=unit) / build(scapy_modbus)
    )
    (ours,) = FrameSplitter().feed(frame)
    assert (ours.transaction, ours.unit, ours.pdu[0]) == (transaction, unit, int(code, 16))
    reply = encode_frame(transaction, unit, device.answer(ours.pdu))
    theirs = scapy_modbus.ModbusADUResponse(reply)
    assert (theirs.transId, theirs.unitId, theirs.len) == (transaction, unit, len(reply) - 6)
    assert theirs.payload.funcCode == int(code, 16)
    _assert_payload(code, theirs.payload, device, address, count, words)


def _assert_payload(code, payload, device, address, count, words) -> None:
    if code in ("01", "02"):
        table = Table.COILS if code == "01" else Table.DISCRETE_INPUTS
        field = payload.coilStatus if code == "01" else payload.inputStatus
        assert bytes(field) == pack_bits(device.bank.bits(table)[address : address + count])
    elif code in ("03", "04"):
        table = Table.HOLDING_REGISTERS if code == "03" else Table.INPUT_REGISTERS
        held = device.bank.registers(table)[2 * address : 2 * (address + count)]
        assert payload.registerVal == list(unpack(f">{count}H", held))
    elif code == "06":
        assert (payload.registerAddr, payload.registerValue) == (address, count)
    elif code == "10":
        assert (payload.startAddr, payload.quantityRegisters) == (address, count)
    else:
        assert payload.registerVal == words


@settings(max_examples=60)
@given(addresses, st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.integers(0, 255))
def test_scapy_agrees_on_further_functions(scapy_modbus, address, first, second, unit) -> None:
    """05, 0F, 16, 18 and 0B: requests as it builds them, replies as it reads them."""
    state = Diagnostics()
    state.event_count = first
    device = Device(_device(1).bank, fifos={address: [first, second]}, diagnostics=state)

    def ask(request):
        frame = bytes(scapy_modbus.ModbusADURequest(transId=second, unitId=unit) / request)
        (ours,) = FrameSplitter().feed(frame)
        theirs = scapy_modbus.ModbusADUResponse(
            encode_frame(ours.transaction, ours.unit, device.answer(ours.pdu))
        )
        assert (theirs.transId, theirs.unitId) == (second, unit)
        assert theirs.payload.funcCode == ours.pdu[0]
        return theirs.payload

    reply = ask(scapy_modbus.ModbusPDU0BGetCommEventCounterRequest())
    assert (reply.status, reply.eventCount) == (0, first)
    reply = ask(
        scapy_modbus.ModbusPDU05WriteSingleCoilRequest(outputAddr=address, outputValue=0xFF00)
    )
    assert (reply.outputAddr, reply.outputValue) == (address, 0xFF00)
    count = min(16, SIZE - address)
    data = [first & 0xFF] if count <= 8 else [first & 0xFF, second & 0xFF]
    reply = ask(
        scapy_modbus.ModbusPDU0FWriteMultipleCoilsRequest(
            startAddr=address, quantityOutput=count, outputsValue=data
        )
    )
    assert (reply.startAddr, reply.quantityOutput) == (address, count)
    assert device.bank.bits(Table.COILS)[address] == first & 1
    reply = ask(
        scapy_modbus.ModbusPDU16MaskWriteRegisterRequest(
            refAddr=address, andMask=first, orMask=second
        )
    )
    assert (reply.refAddr, reply.andMask, reply.orMask) == (address, first, second)
    reply = ask(scapy_modbus.ModbusPDU18ReadFIFOQueueRequest(FIFOPointerAddr=address))
    assert (reply.byteCount, reply.FIFOCount, reply.FIFOVal) == (6, 2, [first, second])


ERRORS = {
    0x01: ("01ReadCoils", bit.ReadCoilsRequest),
    0x02: ("02ReadDiscreteInputs", bit.ReadDiscreteInputsRequest),
    0x03: ("03ReadHoldingRegisters", reg.ReadHoldingRegistersRequest),
    0x04: ("04ReadInputRegisters", reg.ReadInputRegistersRequest),
}


@given(st.sampled_from(sorted(ERRORS)), st.integers(SIZE, 65_000), st.integers(0, 0xFFFF))
def test_both_read_our_exceptions(scapy_modbus, code, address, transaction) -> None:
    """Function code plus 80 and the exception code are where both look for them."""
    name, kind = ERRORS[code]
    request = kind(address=address, count=1, dev_id=1, transaction_id=transaction)
    frame = FramerSocket(DecodePDU(False)).buildFrame(request)
    (ours,) = FrameSplitter().feed(frame)
    answer = encode_frame(ours.transaction, ours.unit, _device(1).answer(ours.pdu))
    _, reply = FramerSocket(DecodePDU(False)).handleFrame(answer, 1, transaction)
    assert (reply.function_code, reply.exception_code) == (code | 0x80, 2)
    theirs = scapy_modbus.ModbusADUResponse(answer).payload
    assert type(theirs).__name__ == f"ModbusPDU{name}Error"
    assert (theirs.funcCode, theirs.exceptCode) == (code | 0x80, 2)
