"""What the survey finds out, and that it leaves everything as it was."""

from __future__ import annotations

from dataclasses import replace

import pytest
from conform_reference import ReferenceServer, Refuse, word
from conform_wires import WANTED, Wires, failed, finish, play_all, site_of

from softctl.conform import Range, Support, Verdict, Wanted
from softctl.conform.originals import Originals, restore
from softctl.conform.steps import Unmet
from softctl.conform.survey import survey
from softctl.values.tables import Table

READ_ONLY = Wanted(unit=1)


class Sparse(ReferenceServer):
    """Coils 100 to 139 only, no inputs, registers to the last address."""

    def __init__(self) -> None:
        super().__init__()
        self.holding = [0] * 0x10000

    def need_range(self, values, first, count):
        self.need(values is not self.inputs, 2)
        self.need(values is not self.coils or 100 <= first <= first + count <= 140, 2)
        super().need_range(values, first, count)


def test_runs_of_addresses_are_found_by_reading() -> None:
    """First and last address, that nothing follows, and an address that does not exist."""
    coils = site_of(ReferenceServer(), READ_ONLY).area(Table.COILS)
    assert coils.known == Range(0, 2000)
    assert coils.is_bounded
    assert coils.hole == 2000
    assert coils.writable is None


def test_what_does_not_begin_at_zero_is_found_too() -> None:
    """Usual first addresses are tried; a table without any has a hole and nothing known."""
    site = site_of(Sparse(), READ_ONLY)
    assert site.area(Table.COILS).known == Range(100, 40)
    assert site.area(Table.COILS).hole == 140
    assert site.area(Table.DISCRETE_INPUTS).known is None
    assert site.area(Table.DISCRETE_INPUTS).hole == 0
    assert site.area(Table.HOLDING_REGISTERS).known == Range(0, 4096)
    assert site.area(Table.HOLDING_REGISTERS).hole is None


def test_addresses_that_were_given_are_used() -> None:
    """They are followed to their real end, and nothing else is searched."""
    wanted = Wanted(unit=1, addresses={Table.COILS: (Range(110, 2), Range(130, 1))})
    site = site_of(Sparse(), wanted)
    assert site.area(Table.COILS).known == Range(110, 30)
    assert site.area(Table.HOLDING_REGISTERS).known is None


def test_functions_are_tried_with_right_requests() -> None:
    """Answered, refused with 01, or not answered at all; writing ones only where allowed."""

    class Some(ReferenceServer):
        function_23 = None

        def respond(self, link, pdu):
            return None if pdu[0] == 7 else super().respond(link, pdu)

    assert site_of(Some(), READ_ONLY).support == {
        **dict.fromkeys((1, 2, 3, 4, 8, 11, 12, 17, 20, 24, 43), Support.YES),
        7: Support.SILENT,
    }
    support = site_of(Some()).support
    assert support[23] is Support.REFUSED
    assert support[16] is support[21] is Support.YES


def test_nothing_is_written_outside_the_ranges_given() -> None:
    """A whole run with every case writes coils 10-40 and registers 20-60 and nothing else."""
    touched = set()

    class Watched(ReferenceServer):
        def store(self, values, first, new):
            name = "coils" if values is self.coils else "holding"
            touched.update((name, first + index) for index in range(len(new)))
            super().store(values, first, new)

    wanted = Wanted(
        unit=1,
        writes={Table.COILS: (Range(10, 31),), Table.HOLDING_REGISTERS: (Range(20, 41),)},
    )
    results = play_all(Watched, site_of(Watched(), wanted))
    assert not failed(results)
    coils, holding = range(10, 41), range(20, 61)
    assert touched <= {("coils", a) for a in coils} | {("holding", a) for a in holding}
    verdicts = {name: result.outcome.verdict for name, result in results.items()}
    assert verdicts["fc16-example"] is Verdict.PASS
    assert verdicts["fc16-limit"] is Verdict.NOT_APPLICABLE
    assert verdicts["fc21-write"] is Verdict.NOT_APPLICABLE


def test_without_ranges_no_request_that_writes_is_sent() -> None:
    """Not even a wrong one, which a careless server might carry out."""
    asked = set()

    class Watched(ReferenceServer):
        def answer(self, link, frame):
            asked.add(frame[7])
            return super().answer(link, frame)

    play_all(Watched, site_of(Watched(), READ_ONLY))
    assert not asked & {5, 6, 15, 16, 21, 22, 23}


def test_values_are_put_back() -> None:
    """After the survey, and again after cases have overwritten them."""
    server = ReferenceServer()
    server.holding = [3 * index for index in range(300)]
    server.coils = [index % 2 for index in range(2000)]
    server.records = [7 * index for index in range(10)]
    before = (list(server.holding), list(server.coils), list(server.records))
    site = site_of(server)
    assert (server.holding, server.coils, server.records) == before
    play_all(lambda: server, site)
    assert server.holding != before[0]
    assert server.coils != before[1]
    assert server.records != before[2]
    assert finish(server, restore(1, site.originals)) == []
    assert (server.holding, server.coils, server.records) == before


def test_what_cannot_be_put_back_is_told() -> None:
    """Every address whose write is refused at the end."""
    server = ReferenceServer()
    site = site_of(server, replace(WANTED, writes={Table.HOLDING_REGISTERS: (Range(0, 3),)}))

    class Locked(ReferenceServer):
        def store(self, values, first, new):
            raise Refuse(4)

    assert finish(Locked(), restore(1, site.originals)) == [
        *(f"holding registers {address}" for address in range(3)),
        "file 4 records 0-2",
    ]


def test_a_range_whose_points_refuse_values_is_not_written() -> None:
    """A set point between limits refuses test values, rightly; the reason is told."""

    class Limited(ReferenceServer):
        def store(self, values, first, new):
            if values is self.holding and any(value > 100 for value in new):
                raise Refuse(4)
            super().store(values, first, new)

    area = site_of(Limited()).area(Table.HOLDING_REGISTERS)
    assert area.writable is None
    assert "refuses 65535 at 0 with exception 04 (server device failure)" in area.refusal
    assert not failed(play_all(Limited, site_of(Limited())))


def test_the_longest_range_that_exists_is_written() -> None:
    """A range without any address is told, one that crosses the end is cut there."""
    writes = {Table.HOLDING_REGISTERS: (Range(400, 10), Range(0, 2), Range(290, 40))}
    area = site_of(ReferenceServer(), Wanted(unit=1, writes=writes)).area(Table.HOLDING_REGISTERS)
    assert area.writable == Range(290, 10)
    assert area.write_hole == 300
    assert area.has_edge


def test_a_server_that_answers_nothing_is_an_error() -> None:
    """There is nothing to judge."""

    class Mute(ReferenceServer):
        def answer(self, link, frame):
            return b""

    with pytest.raises(Unmet, match="expected an answer to any of the functions 01 to 04"):
        finish(Mute(), survey(READ_ONLY, Originals()))


def test_a_unit_that_nobody_has_is_an_error() -> None:
    """A gateway that answers everything with 0B has nothing to judge behind it."""

    class Gateway(ReferenceServer):
        def respond(self, link, pdu):
            return self.refusal(pdu[0], 0x0B)

    with pytest.raises(Unmet, match=r"expected a unit 1 at this server .*got exception 0B"):
        finish(Gateway(), survey(READ_ONLY, Originals()))


def test_unforeseeable_requests_need_a_confirmed_host() -> None:
    """Reserved functions are sent to loopback, or where the user said so."""
    asked = set()

    class Watched(ReferenceServer):
        def respond(self, link, pdu):
            asked.add(pdu[0])
            return super().respond(link, pdu)

    site = site_of(Watched(), replace(READ_ONLY, allows_unpredictable=False))
    results = play_all(Watched, site)
    assert results["function-090-refused"].outcome.verdict is Verdict.NOT_APPLICABLE
    assert not asked & {9, 10, 13, 14, 41, 42, 90, 91, 125, 126, 127}


def test_evidence_keeps_both_ends_of_a_storm() -> None:
    """What was sent is in the evidence; the middle of many entries is left out."""
    server = ReferenceServer()
    results = play_all(lambda: server, site_of(server))
    one = results["fc03-one"].evidence
    assert one.omitted == 0
    assert one.first[0].data[7:] == bytes.fromhex("03 0000 0001")
    storm = results["stream-hundred"].evidence
    assert storm.omitted > 0
    assert word(storm.last[-1].data, 0) > word(storm.first[0].data, 0)


def test_wires_report_a_closed_connection() -> None:
    """The test's own driver: what is closed stays closed."""
    from softctl.conform.steps import Hear, Send

    wires = Wires(ReferenceServer())
    wires.perform(Send(0, bytes(12)))
    assert wires.perform(Hear(0, 1)).is_closed
