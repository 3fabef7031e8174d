"""The fuzz run, shortened; `python tests/benchmarks/modbus_fuzz.py` runs a million frames."""

from __future__ import annotations

import gc
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from modbus_fuzz import SEEDS, Run, askable, build_server, check, run

from softctl.modbus import Client, Server
from softctl.modbus.actions import Close, Send
from softctl.modbus.frames import Frame, FrameSplitter, encode_frame


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_mutated_frames_get_legal_replies_or_none(seed: int) -> None:
    """No exception, one legal reply for each frame of our protocol, none for another's, and
    none after garbage that spoils the framing, however the stream is cut."""
    state = run(20_000, seed)
    assert 0.5 * state.frames < state.replies < state.frames
    assert 0 < state.lost < state.streams


@settings(max_examples=500)
@given(st.lists(st.binary(max_size=300), max_size=8))
def test_any_bytes_at_all_do_no_harm(chunks: list[bytes]) -> None:
    """Random streams give whole frames or a close, never an exception."""
    connection = build_server().connect(Client("fuzz"))
    replies = FrameSplitter()
    for chunk in chunks:
        for action in connection.receive(chunk, 0):
            if isinstance(action, Send):
                replies.feed(action.data)
            else:
                assert action == Close(0)
    assert replies.error is None
    assert replies.pending == 0


@settings(max_examples=500)
@given(st.sampled_from(SEEDS), st.binary(max_size=250))
def test_any_body_after_a_known_function_gets_one_legal_reply(seed: bytes, body: bytes) -> None:
    """Every function answers every body, with data or with an exception code."""
    pdu = (seed[:1] + body)[:253]
    if pdu[:3] == b"\x08\0\x04":
        return
    frame = Frame(3, 0, 1, pdu)
    (action,) = build_server().connect(Client("fuzz")).receive(encode_frame(3, 1, pdu), 0)
    assert isinstance(action, Send)
    (reply,) = FrameSplitter().feed(action.data)
    check(frame, reply)


def test_nothing_is_kept_of_what_has_been_answered() -> None:
    """Memory does not grow with the number of frames."""
    run(2_000, 1)
    tracemalloc.start()
    try:
        run(2_000, 1)
        gc.collect()
        before, _ = tracemalloc.get_traced_memory()
        run(8_000, 2)
        gc.collect()
        after, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert after - before < 20_000


class Careless(Server):
    """Answers frames of other protocols too."""

    def answer(self, frame: Frame, client: Client, raw: bytes | None = None) -> bytes | None:
        return super().answer(frame._replace(protocol=0), client)


def test_an_answer_to_what_must_be_discarded_would_be_seen() -> None:
    """The judge is no rubber stamp."""
    state = Run(1)
    state.server = Careless(state.server.devices.values())
    with pytest.raises((AssertionError, IndexError)):
        state.connection()


def test_what_is_to_be_answered_is_worked_out_from_the_bytes() -> None:
    """Foreign frames are skipped, a length that cannot be ends it, a part waits."""
    ours, theirs = encode_frame(1, 1, b"\x07"), encode_frame(2, 1, b"\x07", protocol=5)
    found = [Frame(1, 0, 1, b"\x07")]
    assert askable(ours + theirs + ours[:7]) == (found, False)
    assert askable(theirs + ours + bytes(24) + ours) == (found, True)
