"""Refresh intervals against the required ones, point by point."""

from __future__ import annotations

from audit_clients import MAP_END, Bench, S, read, slow_point


def test_a_slow_point_is_told_by_name() -> None:
    """Only the point whose own time is exceeded: the others have the server's 2 s."""
    bench = Bench()
    slow_point(bench.client())
    (finding,) = [one for one in bench.report().findings if one.kind == "slower than required"]
    assert finding.subject == "TT_1"
    assert "reads every 1.80 s" in finding.message
    assert "has to be read every 1.5 s" in finding.message
    uses = {use.point: use for use in bench.report().uses}
    assert (uses["TT_1"].verdict, uses["TT_1"].required_s) == ("too slow", 1.5)
    assert (uses["LT_1"].verdict, uses["LT_1"].required_s) == ("used", 2.0)


def test_a_screen_that_is_shown_again_is_no_slow_poll() -> None:
    """Pauses of more than ten medians are left out of the judgement, not of the figures."""
    bench = Bench()
    hmi = bench.client()
    for turn in range(60):
        hmi.send(read(4, 0, MAP_END), after_ns=S if turn % 15 else 600 * S)
    assert "at times slower" not in bench.kinds()
    level = next(use for use in bench.report().uses if use.point == "LT_1")
    assert (level.minimum_s, level.median_s, level.p99_s) == (1.0, 1.0, 600.0)


def test_what_is_no_longer_kept_of_one_read_is_not_counted_of_another() -> None:
    """Where early times of one connection are gone, those of the other say nothing either."""
    bench = Bench(kept=4)
    fast, slow = bench.client(), bench.client(port=5001)
    for turn in range(40):
        fast.send(read(4, 0, MAP_END), after_ns=S)
        if turn in (0, 20, 39):
            slow.send(read(4, 0, 20), after_ns=0)
    level = next(use for use in bench.report().uses if use.point == "LT_1")
    assert (level.reads, level.minimum_s, level.p99_s) == (43, 0.0, 1.0)


def test_reads_of_two_connections_count_together() -> None:
    """What two connections of a host read in turns is as fresh as both make it."""
    bench = Bench()
    first, second = bench.client(), bench.client(port=5001)
    for _ in range(10):
        first.send(read(4, 0, MAP_END), after_ns=S)
        second.send(read(4, 0, 20), after_ns=S)
    level = next(use for use in bench.report().uses if use.point == "LT_1")
    assert (level.reads, level.median_s) == (20, 1.0)
