"""The runner's own requests against those that pymodbus and scapy build."""

from __future__ import annotations

import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu import bit_message as bit
from pymodbus.pdu import diag_message as diag
from pymodbus.pdu import file_message as file_
from pymodbus.pdu import mei_message as mei
from pymodbus.pdu import register_message as reg

from softctl.conform import pdus
from softctl.conform.wire import frame, split_replies

words = st.integers(0, 0xFFFF)
starts = st.integers(0, 60_000)


@pytest.fixture(scope="module")
def scapy_modbus():
    """scapy's independent codec."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from scapy.contrib import modbus
    return modbus


def _same(pdu: bytes, request, transaction: int, unit: int) -> None:
    """The frame is pymodbus's frame of its own request."""
    request.transaction_id, request.dev_id = transaction, unit
    theirs = FramerSocket(DecodePDU(False)).buildFrame(request)
    assert frame(transaction, unit, pdu) == theirs


@settings(max_examples=100)
@given(starts, st.integers(1, 2000), words, st.integers(0, 255))
def test_reads_are_pymodbuss(address, count, transaction, unit) -> None:
    """Functions 01 to 04, 24."""
    kinds = {1: bit.ReadCoilsRequest, 2: bit.ReadDiscreteInputsRequest}
    for function, kind in kinds.items():
        request = kind(address=address, count=count)
        _same(pdus.read(function, address, count), request, transaction, unit)
    count = min(count, 125)
    kinds = {3: reg.ReadHoldingRegistersRequest, 4: reg.ReadInputRegistersRequest}
    for function, kind in kinds.items():
        request = kind(address=address, count=count)
        _same(pdus.read(function, address, count), request, transaction, unit)
    request = file_.ReadFifoQueueRequest(address=address)
    _same(pdus.read_fifo(address), request, transaction, unit)


@settings(max_examples=100)
@given(starts, st.lists(st.booleans(), min_size=1, max_size=1968), words)
def test_coil_writes_are_pymodbuss(address, bits, transaction) -> None:
    """Functions 05 and 15."""
    request = bit.WriteSingleCoilRequest(address=address, bits=bits[:1])
    _same(pdus.write_coil(address, 0xFF00 if bits[0] else 0), request, transaction, 1)
    request = bit.WriteMultipleCoilsRequest(address=address, bits=bits)
    _same(pdus.write_coils(address, [int(one) for one in bits]), request, transaction, 1)


@settings(max_examples=100)
@given(starts, starts, st.lists(words, min_size=1, max_size=121), words, words)
def test_register_writes_are_pymodbuss(address, source, values, and_mask, or_mask) -> None:
    """Functions 06, 16, 22 and 23."""
    request = reg.WriteSingleRegisterRequest(address=address, registers=values[:1])
    _same(pdus.write_register(address, values[0]), request, 1, 1)
    request = reg.WriteMultipleRegistersRequest(address=address, registers=values)
    _same(pdus.write_registers(address, values), request, 1, 1)
    request = reg.MaskWriteRegisterRequest(address=address, and_mask=and_mask, or_mask=or_mask)
    _same(pdus.mask_write(address, and_mask, or_mask), request, 1, 1)
    request = reg.ReadWriteMultipleRegistersRequest(
        read_address=source, read_count=7, write_address=address, write_registers=values
    )
    _same(pdus.read_write(source, 7, address, values), request, 1, 1)


@given(words, st.integers(1, 4), st.integers(0, 255))
def test_other_requests_are_pymodbuss(data, code, number) -> None:
    """Functions 08 and 43/14."""
    raw = data.to_bytes(2, "big")
    _same(pdus.diagnostics(0, raw), diag.ReturnQueryDataRequest(raw), 1, 1)
    request = mei.ReadDeviceInformationRequest(read_code=code, object_id=number)
    _same(pdus.identification(code, number), request, 1, 1)


@given(st.integers(1, 0xFFFF), st.integers(0, 9999), st.lists(words, min_size=1, max_size=100))
def test_records_are_pymodbuss(file, record, values) -> None:
    """Functions 20 and 21; pymodbus counts in bytes and sends registers."""
    records = [
        file_.FileRecord(file_number=file, record_number=record, record_length=2 * len(values))
    ]
    request = file_.ReadFileRecordRequest(records)
    _same(pdus.read_record(file, record, len(values)), request, 1, 1)
    data = b"".join(value.to_bytes(2, "big") for value in values)
    records = [file_.FileRecord(file_number=file, record_number=record, record_data=data)]
    request = file_.WriteFileRecordRequest(records)
    _same(pdus.write_record(file, record, values), request, 1, 1)


@settings(max_examples=60)
@given(words, words, words, st.integers(0, 255))
def test_scapy_reads_what_is_built(scapy_modbus, address, first, second, unit) -> None:
    """Its dissector finds every field where it was put."""

    def dissect(pdu: bytes):
        packet = scapy_modbus.ModbusADURequest(frame(first, unit, pdu))
        assert (packet.transId, packet.protoId, packet.unitId) == (first, 0, unit)
        assert packet.len == 1 + len(pdu)
        return packet.payload

    found = dissect(pdus.write_coil(address, first))
    assert (found.outputAddr, found.outputValue) == (address, first)
    found = dissect(pdus.write_register(address, second))
    assert (found.registerAddr, found.registerValue) == (address, second)
    found = dissect(pdus.mask_write(address, first, second))
    assert (found.refAddr, found.andMask, found.orMask) == (address, first, second)
    found = dissect(pdus.write_registers(address, [first, second]))
    assert (found.startAddr, found.quantityRegisters) == (address, 2)
    assert found.outputsValue == [first, second]
    found = dissect(pdus.read_fifo(address))
    assert found.FIFOPointerAddr == address


@settings(max_examples=60)
@given(words, st.lists(words, min_size=1, max_size=125), st.integers(0, 255))
def test_replies_of_scapy_are_cut_as_they_were_built(scapy_modbus, number, values, unit) -> None:
    """The reply reader finds what an independent encoder put there."""
    header = scapy_modbus.ModbusADUResponse(transId=number, unitId=unit)
    body = scapy_modbus.ModbusPDU03ReadHoldingRegistersResponse(registerVal=values)
    raw = bytes(header / body)
    split = split_replies(raw + raw[:5])
    (reply,) = split.replies
    assert (reply.transaction, reply.protocol, reply.unit) == (number, 0, unit)
    data = b"".join(value.to_bytes(2, "big") for value in values)
    assert reply.pdu == bytes((3, len(data))) + data
    assert split.rest == raw[:5]
