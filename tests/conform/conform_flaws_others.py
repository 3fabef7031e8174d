"""Flaws of functions 07, 08, 11, 12, 17, 20, 21, 24 and 43."""

from __future__ import annotations

from conform_flaws import sees
from conform_reference import OBJECTS, ReferenceServer, Refuse, word


@sees("fc08-echo-example fc08-echo-ffff")
class QueryAnsweredWithZeros(ReferenceServer):
    def function_8(self, link, pdu):
        return super().function_8(link, pdu)[:2] + b"\0\0"


@sees("fc08-echo-0000 fc08-echo-example")
class QueryAnsweredWithOnes(ReferenceServer):
    def function_8(self, link, pdu):
        super().function_8(link, pdu)
        return pdu[1:3] + b"\xff\xff" if word(pdu, 1) == 0 else pdu[1:]


@sees("fc08-sub-*")
class SubFunctionLost(ReferenceServer):
    def function_8(self, link, pdu):
        reply = super().function_8(link, pdu)
        return reply if word(pdu, 1) == 0 else b"\0\0" + reply[2:]


@sees("fc08-data-* fc08-reserved-*")
class AnySubFunction(ReferenceServer):
    def function_8(self, link, pdu):
        self.need_length(pdu, 5)
        return pdu[1:]


@sees("fc11-counts")
class CountsNothing(ReferenceServer):
    def function_11(self, link, pdu):
        return super().function_11(link, pdu)[:2] + b"\0\7"


@sees("fc11-counts fc11-shape fc12-shape")
class StatusIsOne(ReferenceServer):
    def function_11(self, link, pdu):
        return b"\0\1" + super().function_11(link, pdu)[2:]

    def function_12(self, link, pdu):
        reply = super().function_12(link, pdu)
        return reply[:1] + b"\0\1" + reply[3:]


@sees("fc07-shape fc17-shape")
class EmptyAnswers(ReferenceServer):
    def function_7(self, link, pdu):
        super().function_7(link, pdu)
        return b""

    def function_17(self, link, pdu):
        super().function_17(link, pdu)
        return b"\0"


@sees("fc20-read fc21-*")
class RecordsWithoutType(ReferenceServer):
    def group(self, file, first, count):
        data = super().group(file, first, count)
        return bytes((data[0] - 1,)) + data[2:]


@sees("fc20-bare fc20-byte-* fc20-record-range fc20-reference-type fc20-two-groups fc21-write")
class FilesAnswerAnything(ReferenceServer):
    """Reference types, file numbers, records and lengths are not looked at."""

    def function_20(self, link, pdu):
        out = b""
        for _ in range(2, len(pdu), 7):
            out += b"\3\6\0\0"
        return bytes((len(out) & 0xFF,)) + out[:250]


@sees("fc21-write")
class RecordsNotWritten(ReferenceServer):
    def function_21(self, link, pdu):
        before = list(self.records)
        reply = super().function_21(link, pdu)
        self.records[:] = before
        return reply


@sees("fc21-byte-count fc21-record-length fc21-reference-type")
class RecordsNotChecked(ReferenceServer):
    def function_21(self, link, pdu):
        count = (len(pdu) - 9) // 2
        body = pdu[:1] + bytes((7 + 2 * count, 6)) + pdu[3:7] + count.to_bytes(2, "big") + pdu[9:]
        super().function_21(link, body)
        return pdu[1:]


@sees("fc24-keeps")
class QueueIsTakenOut(ReferenceServer):
    def function_24(self, link, pdu):
        reply = super().function_24(link, pdu)
        self.queue = self.queue[1:]
        return reply


@sees("fc24-hole fc24-short")
class QueueEverywhere(ReferenceServer):
    def function_24(self, link, pdu):
        return super().function_24(link, pdu[:1] + b"\0\0" + pdu[3:])


@sees("fc24-keeps fc24-read")
class QueueWithoutByteCount(ReferenceServer):
    def function_24(self, link, pdu):
        return super().function_24(link, pdu)[2:]


@sees("fc43-basic fc43-extended fc43-one-unknown fc43-regular fc43-unknown-restarts")
class ObjectsOutOfOrder(ReferenceServer):
    def page(self, code, numbers):
        return super().page(code, numbers[::-1])


@sees("fc43-level")
class LevelIsFour(ReferenceServer):
    def page(self, code, numbers):
        reply = super().page(code, numbers)
        return reply[:2] + b"\x04" + reply[3:]


@sees("fc43-one-*")
class StreamForSingles(ReferenceServer):
    """Access code 4 is answered with everything, for unknown objects too."""

    def function_43(self, link, pdu):
        if len(pdu) == 4 and pdu[1:3] == b"\x0e\x04":
            return self.page(4, list(OBJECTS))
        return super().function_43(link, pdu)


@sees("fc43-unknown-restarts")
class UnknownObjectRefused(ReferenceServer):
    def function_43(self, link, pdu):
        if len(pdu) == 4 and pdu[3] not in OBJECTS:
            raise Refuse(2)
        return super().function_43(link, pdu)


@sees("fc43-code-* fc43-long fc43-other-type fc43-short")
class AnyAccessCode(ReferenceServer):
    def function_43(self, link, pdu):
        self.need(len(pdu) > 2)
        padded = (pdu + b"\0")[:4]
        code = padded[2] if 1 <= padded[2] <= 4 else 1
        return super().function_43(link, b"\x2b\x0e" + bytes((code, padded[3])))


@sees("fc43-basic fc43-extended fc43-one-* fc43-regular fc43-unknown-restarts")
class MorePromised(ReferenceServer):
    """Says that more follows and begins again, for ever."""

    def page(self, code, numbers):
        reply = super().page(code, numbers)
        return reply[:3] + b"\xff\0" + reply[5:]
