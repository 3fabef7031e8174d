"""Flaws of functions 01 to 04, and of what all functions check."""

from __future__ import annotations

import struct
from typing import ClassVar

from conform_flaws import sees
from conform_reference import ReferenceServer, word


@sees(
    "fc*-past-end fc*-wrap fc0[1-4]-hole fc0[56]-hole fc1[56]-hole fc22-hole fc23-read-hole "
    "fc23-write-hole"
)
class NoAddressRefused(ReferenceServer):
    """A value instead of exception 02."""

    def need_range(self, values, first, count):
        if first + count > len(values):
            values.extend([0] * (first + count - len(values)))


@sees("fc*-wrap")
class ReadsWrapAround(ReferenceServer):
    def need_range(self, values, first, count):
        if first + count <= 0x10000:
            super().need_range(values, first, count)

    def read_words(self, values, pdu):
        first, count = self.need_read(values, pdu)
        found = [values[(first + index) % 0x10000 % len(values)] for index in range(count)]
        return self.words(found)

    def pack(self, values, first, count):
        ring = [values[(first + index) % 0x10000 % len(values)] for index in range(count)]
        return super().pack(ring, 0, count)


@sees("fc0*-past-end")
class RangeStartOnly(ReferenceServer):
    """Looks at the first address only, and pads with zeros."""

    def need_read(self, values, pdu):
        self.need_length(pdu, 5)
        first, count = word(pdu, 1), word(pdu, 3)
        self.need_count(pdu[0], count)
        self.need(first < len(values), 2)
        return first, count

    def read_words(self, values, pdu):
        first, count = self.need_read(values, pdu)
        return self.words((values + [0] * 200)[first : first + count])


@sees("fc*-last fc*-past-end fc0*-padding fc0[12]-limit memory-last-*")
class LastAddressMissing(ReferenceServer):
    def need_range(self, values, first, count):
        super().need_range(values, first, count + 1)


@sees("fc0*-limit fc0*-padding fc1*-limit fc1*-limit-over")
class LimitTooLow(ReferenceServer):
    limits: ClassVar = {1: 1999, 2: 1999, 3: 124, 4: 124, 15: 1967, 16: 122}


@sees("fc*-over-in-hole fc0*-limit-over fc15-limit-over")
class LimitTooHigh(ReferenceServer):
    limits: ClassVar = {1: 2001, 2: 2001, 3: 126, 4: 126, 15: 1969, 16: 124}


@sees("fc*-over-in-hole fc0*-limit-over fc0*-quantity-ffff fc15-limit-over")
class NoUpperLimit(ReferenceServer):
    """What does not fit is left out."""

    def need_count(self, function, count):
        self.need(count >= 1)

    def respond(self, link, pdu):
        reply = super().respond(link, pdu)
        return reply[:253]

    def words(self, values):
        return bytes((2 * len(values) & 0xFF,)) + struct.pack(f">{len(values)}H", *values)

    def read_bits(self, values, pdu):
        first, count = self.need_read(values, pdu)
        packed = self.pack(values, first, count)
        return bytes((len(packed) & 0xFF,)) + packed


@sees("fc*-quantity-zero fc0*-zero-in-hole fc1*-zero-in-hole")
class ZeroIsAllowed(ReferenceServer):
    def need_count(self, function, count):
        self.need(count <= self.limits[function])


@sees("fc*-over-in-hole fc*-zero-in-hole fc05-value-in-hole")
class AddressBeforeValue(ReferenceServer):
    """02 is looked for before 03, as in the general figure."""

    def respond(self, link, pdu):
        tables = {1: self.coils, 2: self.inputs, 3: self.holding, 4: self.measured}
        tables |= {5: self.coils, 15: self.coils, 16: self.holding, 23: self.holding}
        if pdu[0] in tables and len(pdu) > 2 and word(pdu, 1) >= len(tables[pdu[0]]):
            return self.refusal(pdu[0], 2)
        return super().respond(link, pdu)


@sees("fc06-bare fc06-short fc0[1-4]-short fc0[12]-bare")
class ShortIsPadded(ReferenceServer):
    def respond(self, link, pdu):
        return super().respond(link, pdu.ljust(5, b"\x01") if pdu[0] in range(1, 7) else pdu)


@sees("fc0*-long fc11-long fc12-long fc17-long fc22-long fc24-long fc43-long")
class LongIsCut(ReferenceServer):
    def need_length(self, pdu, length):
        self.need(len(pdu) >= length)

    def respond(self, link, pdu):
        lengths = {5: 5, 6: 5, 22: 7}
        return super().respond(link, pdu[: lengths.get(pdu[0], len(pdu))])


@sees("fc0*-bare fc0*-short fc22-bare fc22-short fc24-short fc43-short")
class ShortIsSilent(ReferenceServer):
    def need_length(self, pdu, length):
        if len(pdu) < length:
            raise EOFError
        super().need_length(pdu, length)

    def respond(self, link, pdu):
        try:
            return super().respond(link, pdu)
        except EOFError:
            return None


@sees("fc*-bare")
class BareIsIllegalFunction(ReferenceServer):
    def respond(self, link, pdu):
        if len(pdu) == 1 and pdu[0] not in (7, 11, 12, 17):
            return self.refusal(pdu[0], 1)
        return super().respond(link, pdu)


@sees("fc0*-padding")
class PaddingNotZero(ReferenceServer):
    def pack(self, values, first, count):
        return super().pack(values, first, (count + 7) // 8 * 8)


@sees(
    "fc*-padding fc05-neighbours fc05-on fc05-value-0001 fc05-value-00ff fc05-value-0100 "
    "fc05-value-ff01 fc05-value-ffff fc0[12]-slices fc15-byte-* fc15-data-* fc15-example "
    "fc15-head-only fc15-limit fc15-limit-over fc15-neighbours fc15-one fc15-quantity-* "
    "memory-bit-order memory-coils-* memory-last-coil"
)
class BitsFromTheTop(ReferenceServer):
    def pack(self, values, first, count):
        packed = super().pack(values, first, count)
        return bytes(int(f"{byte:08b}"[::-1], 2) for byte in packed)


@sees(
    "fc06-byte-order fc06-example fc16-byte-* fc16-data-* fc16-example fc16-head-only "
    "fc16-limit fc16-limit-over fc16-neighbours fc16-one fc16-past-end fc16-quantity-* "
    "fc22-example fc22-keep fc22-set-top fc23-write-limit memory-last-register memory-reconnect "
    "memory-registers-agree memory-two-clients memory-walking-bit memory-whole-read-write "
    "memory-word-order stream-pipeline-values stream-split-write"
)
class BytesSwappedInReads(ReferenceServer):
    def words(self, values):
        return bytes((2 * len(values),)) + struct.pack(f"<{len(values)}H", *values)


@sees(
    "* !fc*-shape !fc0*-hole !fc0*-limit-over !fc0*-wrap !fc01-* !fc02-* !fc03-quantity-* "
    "!fc04-quantity-* !fc05-* !fc07-long !fc08-* !fc0[34]-bare !fc0[34]-long !fc0[34]-short "
    "!fc1*-hole !fc11-long !fc12-long !fc15-* !fc16-bare !fc17-long !fc20-* !fc21-* !fc22-hole "
    "!fc23-bare !fc23-write-hole !fc24-* !fc43-* !function-* !header-*-exception "
    "!header-length-0 !header-length-1 !header-length-255 !header-length-260 "
    "!header-length-ffff !header-length-reply-bits !header-protocol-reply "
    "!header-transaction-0000 !header-transaction-0001 !header-transaction-00ff "
    "!header-transaction-8000 !header-transaction-ffff !header-unit-echo !header-unit-other "
    "!memory-bit-order !memory-coils-* !memory-last-coil !memory-whole-coils "
    "!stream-half-close-idle"
)
class OneRegisterTooFew(ReferenceServer):
    def words(self, values):
        return super().words(values[:-1])


@sees(
    "fc0[12]-example fc0[12]-slices fc15-byte-count-under fc15-data-short fc15-example "
    "fc15-limit-over header-length-reply-bits"
)
class OneByteTooFew(ReferenceServer):
    """Of bits, when they fill their last byte not."""

    def read_bits(self, values, pdu):
        first, count = self.need_read(values, pdu)
        packed = self.pack(values, first, count)[: max(count // 8, 1)]
        return bytes((len(packed),)) + packed


@sees("fc*-slices fc1*-neighbours memory-*-order memory-last-* stream-pipeline-values")
class ReadsFromEvenAddresses(ReferenceServer):
    def need_read(self, values, pdu):
        first, count = super().need_read(values, pdu)
        return first & ~1, count


@sees(
    "* !fc*-data-short !fc*-head-only !fc*-hole !fc*-limit !fc*-limit-over !fc*-neighbours "
    "!fc*-past-end !fc*-quantity-ffff !fc*-quantity-zero !fc*-shape !fc*-wrap !fc07-long "
    "!fc08-* !fc0[1-3]-example !fc0[1-4]-bare !fc0[1-4]-long !fc0[1-4]-short !fc1*-bare "
    "!fc1*-example !fc1*-long !fc15-byte-* !fc15-padding !fc16-byte-* !fc20-* !fc21-* !fc23-* "
    "!fc24-* !fc43-* !function-* !header-*-exception !header-length-* !header-protocol-reply "
    "!header-transaction-0000 !header-transaction-0001 !header-transaction-00ff "
    "!header-transaction-8000 !header-transaction-ffff !header-unit-echo !header-unit-other "
    "!memory-whole-coils !memory-whole-read-write !memory-whole-registers "
    "!stream-half-close-idle !stream-split-write"
)
class ByteCountOfZero(ReferenceServer):
    """Of single values."""

    def respond(self, link, pdu):
        reply = super().respond(link, pdu)
        if reply[0] in range(1, 5) and word(pdu, 3) == 1:
            return reply[:1] + b"\0" + reply[2:]
        return reply
