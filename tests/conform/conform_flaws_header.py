"""Flaws of headers and of function codes."""

from __future__ import annotations

import struct

from conform_flaws import sees
from conform_reference import ReferenceServer, word


@sees(
    "clients-eight clients-two header-protocol-0001 header-protocol-0100 header-protocol-ffff "
    "header-transaction-0000 header-transaction-00ff header-transaction-8000 "
    "header-transaction-exception header-transaction-ffff header-transaction-same-twice "
    "header-unit-00 header-unit-ff stream-half-close-16 stream-joined-* stream-pipeline-*"
)
class TransactionAlwaysOne(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        return super().frame(1, unit, pdu)


@sees("header-transaction-exception stream-joined-exception")
class TransactionLostInExceptions(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        return super().frame(0 if pdu[0] & 0x80 else transaction, unit, pdu)


@sees(
    "clients-eight clients-two header-*-0001 header-protocol-0100 header-protocol-ffff "
    "header-transaction-00ff header-transaction-8000 header-transaction-exception "
    "header-transaction-same-twice header-unit-00 header-unit-ff stream-half-close-16 "
    "stream-joined-* stream-pipeline-*"
)
class TransactionSwapped(ReferenceServer):
    """Low byte first."""

    def frame(self, transaction, unit, pdu):
        return super().frame(transaction >> 8 | (transaction & 0xFF) << 8, unit, pdu)


@sees(
    "clients-eight clients-two header-protocol-0001 header-protocol-0100 header-protocol-ffff "
    "header-transaction-0000 header-transaction-00ff header-transaction-8000 "
    "header-transaction-exception header-transaction-ffff header-transaction-same-twice "
    "header-unit-00 header-unit-ff stream-half-close-16 stream-joined-* stream-pipeline-*"
)
class TransactionOneByte(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        return super().frame(transaction & 0xFF00 | 0x01, unit, pdu)


@sees("header-transaction-same-twice")
class SameTransactionOnlyOnce(ReferenceServer):
    """Takes a repeated transaction id for a repeated frame, and stays silent."""

    def answer(self, link, frame):
        key = frame[:2]
        if getattr(link, "last", None) == key:
            return b""
        link.last = key
        return super().answer(link, frame)


@sees("header-unit-echo header-unit-echo-exception header-unit-ff")
class UnitAlwaysZero(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        return super().frame(transaction, 0, pdu)


@sees("header-unit-echo-exception")
class UnitLostInExceptions(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        return super().frame(transaction, 255 if pdu[0] & 0x80 else unit, pdu)


@sees("header-unit-00 header-unit-ff header-unit-other")
class AnyUnitAnsweredAsItself(ReferenceServer):
    """Answers every unit id with its own."""

    def answer(self, link, frame):
        return super().answer(link, frame[:6] + b"\x01" + frame[7:])


@sees("header-protocol-reply header-protocol-reply-exception")
class ProtocolOneInReplies(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        return struct.pack(">HHHB", transaction, 1, 1 + len(pdu), unit) + pdu


@sees("header-protocol-reply-exception")
class ProtocolOneInExceptions(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        protocol = pdu[0] >> 7
        return struct.pack(">HHHB", transaction, protocol, 1 + len(pdu), unit) + pdu


@sees(
    "header-protocol-0001 header-protocol-0100 header-protocol-ffff header-protocol-write "
    "stream-joined-foreign"
)
class ProtocolIgnored(ReferenceServer):
    def answer(self, link, frame):
        return super().answer(link, frame[:2] + b"\0\0" + frame[4:])


@sees("header-protocol-0001 header-protocol-0100 header-protocol-ffff stream-joined-foreign")
class OtherProtocolCloses(ReferenceServer):
    def answer(self, link, frame):
        link.is_closed = link.is_closed or word(frame, 2) != 0
        return super().answer(link, frame)


@sees(
    "fc0[34]-limit fc0[34]-slices fc16-limit fc16-limit-over fc23-write-limit "
    "header-length-reply memory-whole-registers stream-*-16 stream-hundred "
    "stream-pipeline-16-joined stream-pipeline-64"
)
class LengthOneTooHigh(ReferenceServer):
    """Of replies with more than eight registers."""

    def frame(self, transaction, unit, pdu):
        extra = 1 if pdu[0] in (3, 4) and len(pdu) > 18 else 0
        return struct.pack(">HHHB", transaction, 0, 1 + len(pdu) + extra, unit) + pdu


@sees(
    "fc0*-padding fc0[12]-example fc0[12]-limit fc0[12]-slices fc15-byte-* fc15-data-* "
    "fc15-example fc15-head-only fc15-limit fc15-limit-over fc15-quantity-* "
    "header-length-reply-bits memory-whole-coils"
)
class LengthOfBitsTooHigh(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        extra = 1 if pdu[0] in (1, 2) and len(pdu) > 3 else 0
        return struct.pack(">HHHB", transaction, 0, 1 + len(pdu) + extra, unit) + pdu


@sees(
    "fc08-reserved-* fc43-other-type function-*-refused function-128-not-answered "
    "function-131-not-answered function-255-not-answered header-length-reply-exception "
    "stream-joined-exception"
)
class LengthOfExceptionsTooLow(ReferenceServer):
    def frame(self, transaction, unit, pdu):
        lacks = 1 if pdu[0] & 0x80 and pdu[1] == 1 else 0
        return struct.pack(">HHHB", transaction, 0, 1 + len(pdu) - lacks, unit) + pdu


@sees(
    "header-length-0 header-length-1 header-length-255 header-length-260 header-length-ffff "
    "stream-garbage-zeros stream-split-after-1"
)
class LengthIgnored(ReferenceServer):
    """A segment is a frame, whatever the length field says."""

    def receive(self, link, data):
        if len(data) >= 8 and not 2 <= word(data, 4) <= 254:
            fixed = data[:4] + b"\0\6" + data[6:12]
            return super().receive(link, fixed)
        return super().receive(link, data)


@sees("header-length-255 header-length-260")
class LongFramesTaken(ReferenceServer):
    max_length = 300

    def respond(self, link, pdu):
        return super().respond(link, pdu[:5] if len(pdu) > 253 else pdu)


@sees(
    "fc08-reserved-* fc43-other-type function-009-refused function-010-refused "
    "function-013-refused function-014-refused function-018-refused function-019-refused "
    "function-025-refused function-026-refused function-033-refused function-040-refused "
    "function-041-refused function-042-refused function-044-refused function-050-refused "
    "function-064-refused function-073-refused function-080-refused function-090-refused "
    "function-091-refused function-099-refused function-111-refused function-120-refused "
    "function-125-refused function-126-refused function-127-refused stream-joined-exception"
)
class RefusesWithCodeZero(ReferenceServer):
    """An exception that has lost the function it is about."""

    def refusal(self, function, code):
        return super().refusal(0 if code == 1 else function, code)


@sees(
    "fc08-reserved-* fc43-other-type function-*-refused function-128-not-answered "
    "function-131-not-answered function-255-not-answered stream-joined-exception"
)
class RefusesUnknownWithTwo(ReferenceServer):
    def refusal(self, function, code):
        return super().refusal(function, 2 if code == 1 else code)


@sees("function-*-refused header-*-exception stream-joined-exception")
class SilentOnUnknown(ReferenceServer):
    def respond(self, link, pdu):
        known = hasattr(self, f"function_{pdu[0]}")
        return super().respond(link, pdu) if known else None


@sees(
    "fc*-past-end fc*-reference-type fc*-wrap fc0[1-4]-hole fc0[56]-hole fc1[56]-hole "
    "fc20-record-range fc20-two-groups fc22-hole fc23-read-hole fc23-write-hole fc24-hole "
    "fc43-one-unknown"
)
class ErrorBitForgotten(ReferenceServer):
    """In exception 02."""

    def refusal(self, function, code):
        return bytes((function & 0x7F if code == 2 else function & 0x7F | 0x80, code))


@sees("function-131-not-answered")
class ErrorBitMasked(ReferenceServer):
    """Takes function 131 for function 3."""

    def respond(self, link, pdu):
        return super().respond(link, bytes((pdu[0] & 0x7F,)) + pdu[1:])


@sees("function-128-not-answered function-131-not-answered function-255-not-answered")
class HighCodesMirrored(ReferenceServer):
    def respond(self, link, pdu):
        return pdu if pdu[0] & 0x80 else super().respond(link, pdu)


@sees(
    "* !function-128-not-answered !function-131-not-answered !function-255-not-answered "
    "!header-*-exception !header-length-* !header-protocol-reply !header-transaction-0000 "
    "!header-transaction-0001 !header-transaction-00ff !header-transaction-8000 "
    "!header-transaction-ffff !header-unit-echo !header-unit-other !stream-half-close-idle"
)
class CodeOfAnother(ReferenceServer):
    """Every known function is answered with the code of another."""

    codes: tuple[int, ...] = tuple(range(256))

    def respond(self, link, pdu):
        reply = super().respond(link, pdu)
        return bytes((reply[0] ^ 0x20,)) + reply[1:] if pdu[0] in self.codes else reply


@sees(
    "fc*-shape fc07-long fc08-* fc11-* fc12-long fc17-long function-007-answered "
    "function-008-answered function-011-answered function-012-answered function-017-answered"
)
class CodeOfAnotherInDiagnostics(CodeOfAnother):
    codes = (7, 8, 11, 12, 17)


@sees("fc20-* fc21-* fc24-* function-020-answered function-021-answered function-024-answered")
class CodeOfAnotherInFiles(CodeOfAnother):
    codes = (20, 21, 24)


@sees("fc43-* function-043-answered")
class CodeOfAnotherInIdentification(CodeOfAnother):
    codes = (43,)


@sees("fc02-* fc04-* function-002-answered function-004-answered")
class CodeOfAnotherInInputs(CodeOfAnother):
    codes = (2, 4)


@sees("fc22-* function-022-answered")
class CodeOfAnotherInMasks(CodeOfAnother):
    codes = (22,)


@sees("fc23-* function-023-answered memory-whole-read-write")
class CodeOfAnotherInReadWrite(CodeOfAnother):
    codes = (23,)


@sees(
    "fc01-* fc05-* fc15-* function-001-answered function-005-answered function-015-answered "
    "memory-bit-order memory-coils-* memory-last-coil memory-whole-coils"
)
class CodeOfAnotherInCoils(CodeOfAnother):
    codes = (1, 5, 15)
