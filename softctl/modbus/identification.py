"""Function 43 with MEI type 14: read device identification.

Modbus Application Protocol V1.1b3, section 6.21. The worked example printed there has a
wrong length byte; the example with that byte corrected is what is sent.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from softctl.modbus.codes import MAX_PDU_BYTES, ExceptionCode, Refusal
from softctl.modbus.requests import IdentificationRequest

if TYPE_CHECKING:
    from softctl.modbus.clients import Client
    from softctl.modbus.device import Device

MEI_READ_IDENTIFICATION = 0x0E
INDIVIDUAL = 4
_CATEGORY_ENDS = {1: 0x02, 2: 0x7F, 3: 0xFF}
"""Read device id code of a stream -> the last object id of its category."""

_HEAD_BYTES = 7
_MAX_OBJECT_BYTES = MAX_PDU_BYTES - _HEAD_BYTES - 2


class Identification:
    """What a device says about itself.

    Args:
        vendor, product_code, revision: the three mandatory objects (ids 0, 1 and 2).
        objects: further ones by id: 3..0x7F regular (3 URL, 4 product name, 5 model name,
            6 application name), 0x80..0xFF extended.
        is_individual: single objects can be asked for (code 4).

    Raises:
        ValueError: an id is not 3..255 or a text is longer than 244 bytes in UTF-8.
    """

    def __init__(
        self,
        vendor: str,
        product_code: str,
        revision: str,
        objects: Mapping[int, str] | None = None,
        *,
        is_individual: bool = True,
    ) -> None:
        texts = {0: vendor, 1: product_code, 2: revision}
        for object_id, text in sorted((objects or {}).items()):
            if not 3 <= object_id <= 0xFF:
                raise ValueError(f"expected an object id between 3 and 255, got {object_id}")
            texts[object_id] = text
        self.objects = {object_id: text.encode() for object_id, text in texts.items()}
        for object_id, value in self.objects.items():
            if len(value) > _MAX_OBJECT_BYTES:
                raise ValueError(
                    f"expected an object of at most {_MAX_OBJECT_BYTES} bytes, "
                    f"got {len(value)} for object {object_id}"
                )
        self.is_individual = is_individual

    @property
    def conformity(self) -> int:
        """The conformity level: 1 basic, 2 regular, 3 extended, + 0x80 for single objects."""
        highest = max(self.objects)
        level = next(code for code, end in _CATEGORY_ENDS.items() if highest <= end)
        return level | (0x80 if self.is_individual else 0)


def decode_identification(pdu: bytes) -> IdentificationRequest:
    """An unknown MEI type is 01, a wrong length or read code 03."""
    if len(pdu) > 1 and pdu[1] != MEI_READ_IDENTIFICATION:
        raise Refusal(ExceptionCode.ILLEGAL_FUNCTION)
    if len(pdu) != 4 or not 1 <= pdu[2] <= INDIVIDUAL:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    return IdentificationRequest(pdu[0], pdu[2], pdu[3])


def perform_identification(device: Device, request: IdentificationRequest, client: Client) -> bytes:
    """A stream from an object on, as much as fits one PDU, or one single object."""
    function, code, first = request
    own = device.identification
    if own is None:
        raise Refusal(ExceptionCode.ILLEGAL_FUNCTION)
    if code == INDIVIDUAL:
        if not own.is_individual:
            raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
        if first not in own.objects:
            raise Refusal(ExceptionCode.ILLEGAL_DATA_ADDRESS)
        wanted = [first]
    else:
        # An unknown first object starts again at the beginning (section 6.21).
        start = first if first in own.objects else 0
        wanted = [i for i in own.objects if start <= i <= _CATEGORY_ENDS[code]] or [0]
    sent = list(_fitting(own, wanted))
    rest = wanted[len(sent) :]
    head = bytes((function, MEI_READ_IDENTIFICATION, code, own.conformity))
    more = bytes((0xFF, rest[0], len(sent))) if rest else bytes((0, 0, len(sent)))
    return head + more + b"".join(_encode(own, object_id) for object_id in sent)


def _fitting(own: Identification, wanted: list[int]) -> Iterator[int]:
    size = _HEAD_BYTES
    for object_id in wanted:
        size += len(own.objects[object_id]) + 2
        if size > MAX_PDU_BYTES:
            return
        yield object_id


def _encode(own: Identification, object_id: int) -> bytes:
    value = own.objects[object_id]
    return bytes((object_id, len(value))) + value
