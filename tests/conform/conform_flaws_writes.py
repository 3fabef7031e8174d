"""Flaws of functions 05, 06, 15, 16, 22 and 23."""

from __future__ import annotations

import struct

from conform_flaws import sees
from conform_reference import BITS, REGISTERS, ReferenceServer, word


@sees("fc05-value-*")
class AnyCoilValueTaken(ReferenceServer):
    """Whatever is not zero turns the coil on."""

    def need_coil_value(self, value):
        pass


@sees("fc05-value-0001 fc05-value-00ff fc05-value-0100 fc05-value-ff01 fc05-value-ffff")
class RefusedCoilStillWritten(ReferenceServer):
    def function_5(self, link, pdu):
        if len(pdu) == 5 and word(pdu, 1) < BITS:
            self.coils[word(pdu, 1)] = 1 if word(pdu, 3) else 0
        return super().function_5(link, pdu)


@sees(
    "fc05-neighbours fc05-off fc05-value-0001 fc05-value-00ff fc05-value-0100 fc05-value-ff01 "
    "fc05-value-ffff memory-coils-two-clients memory-last-coil"
)
class CoilsOnlyTurnOn(ReferenceServer):
    def function_5(self, link, pdu):
        reply = super().function_5(link, pdu)
        self.coils[word(pdu, 1)] = 1
        return reply


@sees(
    "fc05-neighbours fc05-on fc05-value-0001 fc05-value-00ff fc05-value-0100 fc05-value-ff01 "
    "fc05-value-ffff memory-coils-* memory-last-coil"
)
class CoilsOnlyTurnOff(ReferenceServer):
    def function_5(self, link, pdu):
        reply = super().function_5(link, pdu)
        self.coils[word(pdu, 1)] = 0
        return reply


@sees("fc05-neighbours")
class CoilWriteClearsTheNext(ReferenceServer):
    def function_5(self, link, pdu):
        reply = super().function_5(link, pdu)
        address = word(pdu, 1) + 1
        if address < BITS:
            self.coils[address] = 0
        return reply


@sees("fc06-neighbours memory-registers-agree")
class RegisterWriteClearsTheNext(ReferenceServer):
    def function_6(self, link, pdu):
        reply = super().function_6(link, pdu)
        address = word(pdu, 1) + 1
        if address < REGISTERS:
            self.holding[address] = 0
        return reply


@sees("fc22-neighbours")
class MaskClearsTheNext(ReferenceServer):
    def function_22(self, link, pdu):
        reply = super().function_22(link, pdu)
        address = word(pdu, 1) + 1
        if address < REGISTERS:
            self.holding[address] = 0
        return reply


@sees("fc1*-neighbours")
class WritesOneTooMany(ReferenceServer):
    """Functions 15 and 16 clear the address after the last."""

    def write_range(self, values, first, new):
        super().write_range(values, first, new)
        if first + len(new) < len(values):
            values[first + len(new)] = 0


@sees(
    "fc06-ffff fc06-neighbours fc16-example fc16-limit fc16-limit-over fc16-neighbours fc16-one "
    "fc21-write fc22-keep fc22-neighbours fc22-set-* fc23-example fc23-overlap fc23-write-first "
    "fc23-write-limit memory-last-register memory-reconnect memory-registers-agree "
    "memory-two-clients memory-walking-bit memory-whole-mask stream-split-write"
)
class RegistersAreSigned(ReferenceServer):
    """What is above 7FFF is held at it."""

    def store(self, values, first, new):
        super().store(values, first, [min(value, 0x7FFF) for value in new])


@sees("fc06-0000 fc22-clear-all")
class ZeroMeansNoChange(ReferenceServer):
    def store(self, values, first, new):
        if new != [0] or values is not self.holding:
            super().store(values, first, new)


@sees(
    "fc06-byte-order fc06-example fc22-example fc22-keep fc22-set-top memory-last-register "
    "memory-reconnect memory-registers-agree memory-two-clients memory-walking-bit"
)
class SingleWritesSwapped(ReferenceServer):
    def function_6(self, link, pdu):
        super().function_6(link, pdu)
        address = word(pdu, 1)
        self.store(self.holding, address, [int.from_bytes(pdu[3:5], "little")])
        return pdu[1:]


@sees(
    "fc0*-neighbours fc05-off fc05-on fc05-value-0001 fc05-value-00ff fc05-value-0100 "
    "fc05-value-ff01 fc05-value-ffff fc06-0000 fc06-byte-order fc06-example fc06-ffff "
    "fc22-clear-all fc22-example fc22-keep fc22-neighbours fc22-or-under-and fc22-set-* "
    "header-protocol-write memory-coils-* memory-last-* memory-reconnect memory-registers-agree "
    "memory-two-clients memory-walking-bit memory-whole-mask"
)
class SingleWritesShowValueOnly(ReferenceServer):
    """The echo of functions 05 and 06 has lost the address."""

    def function_5(self, link, pdu):
        return super().function_5(link, pdu)[2:]

    def function_6(self, link, pdu):
        return super().function_6(link, pdu)[2:]


@sees("fc0[56]-hole fc15-past-end fc1[56]-hole fc22-hole fc23-write-hole")
class WriteHolesTaken(ReferenceServer):
    """Writes where nothing exists are confirmed and forgotten."""

    def respond(self, link, pdu):
        reply = super().respond(link, pdu)
        if pdu[0] in (5, 6, 22) and reply[1:] == b"\2":
            return pdu
        if pdu[0] in (15, 16) and reply[1:] == b"\2" and word(pdu, 1) >= REGISTERS:
            return pdu[:5]
        if pdu[0] == 23 and reply[1:] == b"\2" and word(pdu, 5) >= REGISTERS:
            return bytes((23, 2, 0, 0))
        return reply


@sees("fc1*-past-end")
class WritesUpToTheEnd(ReferenceServer):
    """Exception 02 comes after what still fitted was written."""

    def write_range(self, values, first, new):
        values[first : first + len(new)] = new[: max(len(values) - first, 0)]
        super().write_range(values, first, new)


@sees(
    "fc1*-limit-over fc1*-past-end fc1*-quantity-ffff fc15-byte-* fc15-data-* fc16-byte-* "
    "fc16-data-*"
)
class WritesBeforeChecking(ReferenceServer):
    """Functions 15 and 16 write what they can before they refuse."""

    def respond(self, link, pdu):
        if pdu[0] in (15, 16) and len(pdu) > 6:
            values = self.coils if pdu[0] == 15 else self.holding
            if word(pdu, 1) < len(values):
                values[word(pdu, 1)] = pdu[6] & 1
        return super().respond(link, pdu)


@sees("fc15-byte-* fc16-byte-* fc23-byte-*")
class ByteCountNotChecked(ReferenceServer):
    def unpacked(self, link, pdu, at, size, is_bits):
        self.need(len(pdu) == at + 3 + size)
        return super().unpacked(
            link, pdu[: at + 2] + bytes((size,)) + pdu[at + 3 :], at, size, is_bits
        )


@sees("fc*-data-long fc*-data-short fc*-head-only")
class DataLengthNotChecked(ReferenceServer):
    """Missing values are zero, more than there should be are left out."""

    def unpacked(self, link, pdu, at, size, is_bits):
        self.need(pdu[at + 2] == size)
        fitted = pdu[: at + 3 + size].ljust(at + 3 + size, b"\0")
        return super().unpacked(link, fitted, at, size, is_bits)


@sees("fc1*-limit-over fc1*-quantity-ffff fc15-neighbours fc15-padding fc15-past-end")
class ByteCountDecides(ReferenceServer):
    """Functions 15 and 16 write what the byte count says and ignore the quantity."""

    def function_16(self, link, pdu):
        self.need(len(pdu) > 6 and pdu[5] == len(pdu) - 6)
        count = pdu[5] // 2
        self.write_range(self.holding, word(pdu, 1), list(struct.unpack(f">{count}H", pdu[6:])))
        return pdu[1:5]

    def function_15(self, link, pdu):
        self.need(len(pdu) > 5 and pdu[5] == len(pdu) - 6)
        count = min(8 * pdu[5], BITS)
        self.need(count > 0)
        body = pdu[:3] + count.to_bytes(2, "big") + pdu[5:]
        self.write_range(self.coils, word(pdu, 1), self.unpacked(link, body, 3, pdu[5], True))
        return pdu[1:5]


@sees("fc15-example fc15-limit fc15-neighbours memory-bit-order memory-coils-agree")
class OnesOnly(ReferenceServer):
    """Function 15 sets coils and clears none."""

    def function_15(self, link, pdu):
        before = list(self.coils)
        reply = super().function_15(link, pdu)
        self.coils[:] = [old | new for old, new in zip(before, self.coils, strict=True)]
        return reply


@sees(
    "fc*-data-long fc*-data-short fc*-head-only fc1*-example fc1*-limit fc1*-limit-over "
    "fc1*-neighbours fc1*-past-end fc15-byte-* fc15-padding fc15-quantity-* fc16-byte-* "
    "fc16-quantity-* fc23-*-over fc23-*-zero fc23-byte-count-under fc23-overlap fc23-read-hole "
    "fc23-read-wrap fc23-zero-in-hole memory-*-agree memory-*-order memory-whole-coils "
    "memory-whole-registers stream-pipeline-values stream-split-write"
)
class FirstOnly(ReferenceServer):
    """Functions 15 and 16 write one value, whatever the quantity."""

    def write_range(self, values, first, new):
        super().write_range(values, first, new[:1])


@sees("fc1*-limit-over fc1*-one")
class NothingFromSingleQuantity(ReferenceServer):
    """Functions 15 and 16 confirm one value and do not write it."""

    def write_range(self, values, first, new):
        self.need_range(values, first, len(new))
        if len(new) > 1:
            super().write_range(values, first, new)


@sees(
    "fc*-data-long fc*-data-short fc*-head-only fc01-padding fc01-slices fc03-slices "
    "fc1*-example fc1*-limit fc1*-limit-over fc1*-neighbours fc1*-one fc1*-past-end fc15-byte-* "
    "fc15-padding fc15-quantity-* fc16-byte-* fc16-quantity-* fc23-byte-* fc23-example "
    "fc23-overlap fc23-read-* fc23-write-first fc23-write-limit fc23-write-limit-over "
    "fc23-write-zero fc23-zero-in-hole memory-*-agree memory-*-order memory-whole-coils "
    "memory-whole-registers stream-pipeline-values stream-split-write"
)
class QuantityNotEchoed(ReferenceServer):
    def function_15(self, link, pdu):
        return super().function_15(link, pdu)[:2] + b"\0\0"

    def function_16(self, link, pdu):
        return super().function_16(link, pdu)[:2] + b"\0\0"


@sees("fc22-example fc22-keep fc22-or-under-and")
class MaskIsAndThenOr(ReferenceServer):
    """OR counts where AND is 1 too."""

    def function_22(self, link, pdu):
        super().function_22(link, pdu)
        address, and_mask, or_mask = struct.unpack(">HHH", pdu[1:])
        self.holding[address] = self.before & and_mask | or_mask
        return pdu[1:]

    def respond(self, link, pdu):
        if pdu[0] == 22 and len(pdu) == 7 and word(pdu, 1) < REGISTERS:
            self.before = self.holding[word(pdu, 1)]
        return super().respond(link, pdu)


@sees("fc22-example fc22-neighbours fc22-or-under-and fc22-set-* memory-whole-mask")
class MaskIgnoresOr(MaskIsAndThenOr):
    def function_22(self, link, pdu):
        super().function_22(link, pdu)
        self.holding[word(pdu, 1)] = self.before & word(pdu, 3)
        return pdu[1:]


@sees("fc22-clear-all fc22-example fc22-keep fc22-or-under-and")
class MaskIsOrOnly(MaskIsAndThenOr):
    def function_22(self, link, pdu):
        super().function_22(link, pdu)
        self.holding[word(pdu, 1)] = self.before | word(pdu, 5)
        return pdu[1:]


@sees("fc23-overlap fc23-write-first memory-whole-read-write")
class ReadsBeforeItWrites(ReferenceServer):
    """Function 23 in the wrong order."""

    def function_23(self, link, pdu):
        before = list(self.holding)
        super().function_23(link, pdu)
        source, count = word(pdu, 1), word(pdu, 3)
        return self.words(before[source : source + count])


@sees("fc23-read-hole fc23-read-limit-over fc23-read-wrap fc23-read-zero fc23-zero-in-hole")
class WritesBeforeReadIsChecked(ReferenceServer):
    def function_23(self, link, pdu):
        target, count = word(pdu, 5), word(pdu, 7)
        if len(pdu) == 10 + 2 * count and pdu[9] == 2 * count and 1 <= count <= 121:
            self.write_range(self.holding, target, list(struct.unpack(f">{count}H", pdu[10:])))
        return super().function_23(link, pdu)


@sees("fc23-*-limit")
class ReadWriteLimitsTooLow(ReferenceServer):
    def function_23(self, link, pdu):
        self.need(len(pdu) > 9)
        self.need(word(pdu, 3) <= 118 and word(pdu, 7) <= 118)
        return super().function_23(link, pdu)


@sees("fc23-*-zero fc23-read-limit-over fc23-write-limit-over fc23-zero-in-hole")
class ReadWriteWithoutLimits(ReferenceServer):
    def function_23(self, link, pdu):
        self.need(len(pdu) > 9)
        source, count, target, new_count = struct.unpack(">HHHH", pdu[1:9])
        new_count = min(new_count, 121)
        self.need(pdu[9] == 2 * new_count == len(pdu) - 10)
        self.need_range(self.holding, source, count)
        self.need_range(self.holding, target, new_count)
        self.store(self.holding, target, list(struct.unpack(f">{new_count}H", pdu[10:])))
        return self.words(self.holding[source : source + count][:125])
