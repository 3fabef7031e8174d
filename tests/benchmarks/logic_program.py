"""The program that the logic benchmark runs: in Structured Text, and by hand in Python.

One cell executes about 330 statements a scan: an input pattern, interlocks, timers,
counters, scaled REAL channels, a CASE machine, a FOR over 50 elements, two user blocks.
A larger program has more cells. The Python twin is what a careful programmer would write
for the same results: slots, locals in the loop, REAL rounded to 32 bits at each operation
through a cached cell; only INT arithmetic that cannot overflow is left unwrapped.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator

CHANNELS, DRIVES, ELEMENTS, LAMPS = 8, 8, 50, 32

_BLOCKS = """
FUNCTION_BLOCK Ramp
VAR_INPUT target : REAL; rate : REAL; END_VAR
VAR_OUTPUT value : REAL; reached : BOOL; END_VAR
VAR change : REAL; END_VAR
change := rate * 0.05;
IF value < target - change THEN
    value := value + change;
ELSIF value > target + change THEN
    value := value - change;
ELSE
    value := target;
END_IF;
reached := ABS(value - target) < 0.001;
END_FUNCTION_BLOCK

FUNCTION_BLOCK Drive
VAR_INPUT start : BOOL; stop : BOOL; feedback : BOOL; trip : BOOL; END_VAR
VAR_OUTPUT run : BOOL; fault : BOOL; starts : INT; END_VAR
VAR missing : TON; edge : R_TRIG; END_VAR
run := (start OR run) AND NOT stop AND NOT fault;
missing(IN := run AND NOT feedback, PT := T#300ms);
fault := missing.Q OR trip;
edge(CLK := run);
IF edge.Q AND starts < 30000 THEN
    starts := starts + 1;
END_IF;
END_FUNCTION_BLOCK
"""

_CELL_VARIABLES = f"""
    tick{{n}} : DINT;
    di{{n}} : ARRAY[0..15] OF BOOL;
    raw{{n}} : ARRAY[1..{CHANNELS}] OF INT;
    scaled{{n}} : ARRAY[1..{CHANNELS}] OF REAL;
    smooth{{n}} : ARRAY[1..{CHANNELS}] OF REAL;
    history{{n}} : ARRAY[1..{ELEMENTS}] OF REAL;
    total{{n}} : REAL; over{{n}} : INT; i{{n}} : INT;
    phase{{n}} : INT; cycles{{n}} : UDINT; valve{{n}} : BOOL; heater{{n}} : BOOL;
    ready{{n}} : BOOL; alarm{{n}} : BOOL; horn{{n}} : BOOL;
    delay{{n}} : TON; hold{{n}} : TOF; pulse{{n}} : TP; blink{{n}} : TON;
    parts{{n}} : CTU; spare{{n}} : CTD; balance{{n}} : CTUD;
    ramp{{n}} : Ramp;
"""


def _cell_variables(n: int) -> Iterator[str]:
    yield _CELL_VARIABLES.format(n=n)
    yield "".join(f"    drive{n}_{d} : Drive;\n" for d in range(DRIVES))
    yield "".join(f"    lamp{n}_{k} : BOOL;\n" for k in range(LAMPS))


def _cell_statements(n: int) -> Iterator[str]:
    yield f"tick{n} := tick{n} + 1;"
    for k in range(16):
        yield f"di{n}[{k}] := tick{n} MOD {k + 5} < {k // 2 + 2};"
    for k in range(LAMPS):  # interlocks
        a, b, c = k % 16, (k + 5) % 16, (k + 11) % 16
        before = f"lamp{n}_{k - 1}" if k else f"alarm{n}"
        yield f"lamp{n}_{k} := (di{n}[{a}] OR lamp{n}_{k}) AND NOT di{n}[{b}] AND"
        yield f"    (di{n}[{c}] OR NOT {before});"
    yield f"delay{n}(IN := di{n}[3], PT := T#100ms);"
    yield f"hold{n}(IN := di{n}[9], PT := T#250ms);"
    yield f"pulse{n}(IN := di{n}[11] AND lamp{n}_2, PT := T#100ms);"
    yield f"blink{n}(IN := NOT blink{n}.Q, PT := T#500ms);"
    yield f"parts{n}(CU := di{n}[4], R := parts{n}.Q, PV := 20);"
    yield f"spare{n}(CD := di{n}[6], LD := spare{n}.Q, PV := 12);"
    yield f"balance{n}(CU := di{n}[7], CD := di{n}[8], R := balance{n}.QU, LD := FALSE, PV := 9);"
    for k in range(1, CHANNELS + 1):
        yield f"raw{n}[{k}] := DINT_TO_INT((tick{n} * {37 + k}) MOD 16000 + 4000);"
        yield f"scaled{n}[{k}] := (INT_TO_REAL(raw{n}[{k}]) - 4000.0) / 16000.0 * {k}.5 + 0.25;"
        yield f"smooth{n}[{k}] := smooth{n}[{k}] + 0.1 * (scaled{n}[{k}] - smooth{n}[{k}]);"
    yield f"total{n} := 0.0; over{n} := 0;"
    yield f"FOR i{n} := 1 TO {ELEMENTS} DO"
    yield f"    total{n} := total{n} + history{n}[i{n}];"
    yield f"    IF history{n}[i{n}] > smooth{n}[2] THEN over{n} := over{n} + 1; END_IF;"
    yield "END_FOR;"
    yield f"history{n}[DINT_TO_INT(tick{n} MOD {ELEMENTS}) + 1] := smooth{n}[1];"
    yield f"CASE phase{n} OF"
    yield f"0: valve{n} := FALSE; heater{n} := FALSE; IF delay{n}.Q THEN phase{n} := 1; END_IF;"
    yield f"1: valve{n} := TRUE; IF smooth{n}[1] > 0.6 THEN phase{n} := 2; END_IF;"
    yield f"2, 3: valve{n} := FALSE; heater{n} := TRUE; phase{n} := phase{n} + 1;"
    yield f"4..9: IF hold{n}.Q THEN phase{n} := phase{n} + 1; END_IF; heater{n} := hold{n}.Q;"
    yield f"ELSE cycles{n} := cycles{n} + 1; phase{n} := 0;"
    yield "END_CASE;"
    yield f"ramp{n}(target := smooth{n}[3] * 2.0, rate := 0.8);"
    for d in range(DRIVES):
        yield f"drive{n}_{d}(start := di{n}[{d}], stop := di{n}[{15 - d}] AND pulse{n}.Q,"
        yield f"    feedback := di{n}[{d + 8}], trip := over{n} > {44 + d});"
    for d in range(DRIVES):
        yield f"lamp{n}_{d} := drive{n}_{d}.run AND (blink{n}.Q OR NOT drive{n}_{d}.fault);"
    yield f"alarm{n} := drive{n}_0.fault OR drive{n}_1.fault OR total{n} > 900.0;"
    yield f"horn{n} := alarm{n} AND NOT ready{n};"
    yield f"ready{n} := ramp{n}.reached OR balance{n}.QD;"


def structured_text(cells: int = 1) -> str:
    """The program with so many cells."""
    parts = [_BLOCKS, "PROGRAM Line", "VAR"]
    for n in range(cells):
        parts += _cell_variables(n)
    parts.append("END_VAR")
    for n in range(cells):
        parts += _cell_statements(n)
    return "\n".join([*parts, "END_PROGRAM", ""])


def watched() -> list[str]:
    """The paths of cell 0 whose values have to agree."""
    plain = ["tick", "total", "over", "phase", "cycles", "valve", "heater", "ready", "alarm"]
    parts = ["delay0.Q", "delay0.ET", "hold0.Q", "hold0.ET", "pulse0.Q", "pulse0.ET"]
    parts += ["blink0.ET", "parts0.CV", "spare0.CV", "balance0.CV", "ramp0.value", "horn0"]
    parts += [f"drive0_{d}.{name}" for d in range(DRIVES) for name in ("run", "fault", "starts")]
    parts += [f"lamp0_{k}" for k in range(LAMPS)]
    parts += [f"smooth0[{k}]" for k in range(1, CHANNELS + 1)]
    parts += [f"history0[{k}]" for k in (1, 20, ELEMENTS)]
    return [f"Line.{name}" for name in [*(f"{name}0" for name in plain), *parts]]


_CELL = array("f", (0.0,))


def real(value: float) -> float:
    """A value rounded to 32 bits."""
    return array("f", (value,))[0]


TENTH, TWENTIETH, RATE, NEAR, SIXTENTHS = map(real, (0.1, 0.05, 0.8, 0.001, 0.6))


class OnDelay:
    """TON, TOF or TP by hand would share little: each is its own class."""

    __slots__ = ("elapsed", "limit", "on", "running", "since")

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.on = self.running = False
        self.since = self.elapsed = 0

    def run(self, on: bool, now: int) -> None:
        if not on:
            self.on = self.running = False
            self.elapsed = 0
        elif not self.on:
            if not self.running:
                self.running = True
                self.since = now
            self.elapsed = elapsed = now - self.since
            if elapsed >= self.limit:
                self.elapsed = self.limit
                self.on = True


class OffDelay(OnDelay):
    """TOF."""

    __slots__ = ()

    def run(self, on: bool, now: int) -> None:
        if on:
            self.on, self.running, self.elapsed = True, False, 0
        elif self.on:
            if not self.running:
                self.running, self.since = True, now
            self.elapsed = elapsed = now - self.since
            if elapsed >= self.limit:
                self.elapsed, self.on = self.limit, False


class Pulse(OnDelay):
    """TP; `running` here says that the pulse is over and its input still on."""

    __slots__ = ()

    def run(self, on: bool, now: int) -> None:
        if on and not self.on and not self.running:
            self.on, self.since = True, now
        if self.on:
            self.elapsed = elapsed = now - self.since
            if elapsed >= self.limit:
                self.elapsed, self.on, self.running = self.limit, False, True
        if self.running and not on:
            self.running, self.elapsed = False, 0


class UpDown:
    """CTU, CTD and CTUD."""

    __slots__ = ("at_limit", "at_zero", "count", "limit", "was_down", "was_up")

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.count = 0
        self.at_limit = self.at_zero = self.was_up = self.was_down = False

    def up(self, up: bool, reset: bool) -> None:
        if reset:
            self.count = 0
        elif up and not self.was_up and self.count < 32767:
            self.count += 1
        self.was_up = up
        self.at_limit = self.count >= self.limit

    def down(self, down: bool, load: bool) -> None:
        if load:
            self.count = self.limit
        elif down and not self.was_down and self.count > -32768:
            self.count -= 1
        self.was_down = down
        self.at_zero = self.count <= 0

    def both(self, up: bool, down: bool, reset: bool, load: bool) -> None:
        rises, falls = up and not self.was_up, down and not self.was_down
        self.was_up, self.was_down = up, down
        if reset:
            self.count = 0
        elif load:
            self.count = self.limit
        elif rises and not falls:
            if self.count < 32767:
                self.count += 1
        elif falls and not rises and self.count > -32768:
            self.count -= 1
        self.at_limit = self.count >= self.limit
        self.at_zero = self.count <= 0


class Ramp:
    """The user block of that name."""

    __slots__ = ("reached", "value")

    def __init__(self) -> None:
        self.value, self.reached = 0.0, False

    def run(self, target: float, rate: float) -> None:
        cell = _CELL
        value = self.value
        cell[0] = rate * TWENTIETH
        step = cell[0]
        cell[0] = target - step
        if value < cell[0]:
            cell[0] = value + step
            self.value = value = cell[0]
        else:
            cell[0] = target + step
            if value > cell[0]:
                cell[0] = value - step
                self.value = value = cell[0]
            else:
                self.value = value = target
        cell[0] = value - target
        self.reached = abs(cell[0]) < NEAR


class Drive:
    """The user block of that name."""

    __slots__ = ("fault", "missing", "on", "starts", "was_on")

    def __init__(self) -> None:
        self.on = self.fault = self.was_on = False
        self.starts = 0
        self.missing = OnDelay(300_000_000)

    def run(self, start: bool, stop: bool, feedback: bool, trip: bool, now: int) -> None:
        self.on = on = (start or self.on) and not stop and not self.fault
        self.missing.run(on and not feedback, now)
        self.fault = self.missing.on or trip
        if on and not self.was_on and self.starts < 30000:
            self.starts += 1
        self.was_on = on


def _offset_raw(value: int) -> float:
    """Whole numbers this small are exact."""
    return value - 4000.0


class Line:
    """The program of one cell by hand."""

    def __init__(self) -> None:
        self.tick = self.over = self.phase = self.cycles = 0
        self.di = [False] * 16
        self.raw = [0] * CHANNELS
        self.scaled, self.smooth = [0.0] * CHANNELS, [0.0] * CHANNELS
        self.history = [0.0] * ELEMENTS
        self.total = 0.0
        self.valve = self.heater = self.ready = self.alarm = self.horn = False
        self.lamps = [False] * LAMPS
        self.delay, self.blink = OnDelay(100_000_000), OnDelay(500_000_000)
        self.hold, self.pulse = OffDelay(250_000_000), Pulse(100_000_000)
        self.parts, self.spare, self.balance = UpDown(20), UpDown(12), UpDown(9)
        self.ramp = Ramp()
        self.drives = [Drive() for _ in range(DRIVES)]

    def scan(self, now: int) -> None:
        """One scan, written as a person would: loops where statements repeat."""
        self.tick = tick = self.tick + 1
        di, lamps, smooth = self.di, self.lamps, self.smooth
        for k in range(16):
            di[k] = tick % (k + 5) < k // 2 + 2
        before = self.alarm
        for k in range(LAMPS):
            lamps[k] = before = (
                (di[k % 16] or lamps[k])
                and not di[(k + 5) % 16]
                and (di[(k + 11) % 16] or not before)
            )
        self.delay.run(di[3], now)
        self.hold.run(di[9], now)
        self.pulse.run(di[11] and lamps[2], now)
        self.blink.run(not self.blink.on, now)
        self.parts.up(di[4], self.parts.at_limit)
        self.spare.down(di[6], self.spare.at_zero)
        self.balance.both(di[7], di[8], self.balance.at_limit, False)
        self._scale(tick)
        cell, limit, over, total = _CELL, smooth[1], 0, 0.0
        for value in self.history:
            cell[0] = total + value
            total = cell[0]
            if value > limit:
                over += 1
        self.total, self.over = total, over
        self.history[tick % ELEMENTS] = smooth[0]
        self._phase()
        cell[0] = smooth[2] * 2.0
        self.ramp.run(cell[0], RATE)
        pulse = self.pulse.on
        for d, drive in enumerate(self.drives):
            drive.run(di[d], di[15 - d] and pulse, di[d + 8], over > 44 + d, now)
        blink = self.blink.on
        for d, drive in enumerate(self.drives):
            lamps[d] = drive.on and (blink or not drive.fault)
        self.alarm = self.drives[0].fault or self.drives[1].fault or total > 900.0
        self.horn = self.alarm and not self.ready
        self.ready = self.ramp.reached or self.balance.at_zero

    def _scale(self, tick: int) -> None:
        cell, raws, scaled, smooth = _CELL, self.raw, self.scaled, self.smooth
        for k in range(CHANNELS):
            raws[k] = raw = tick * (38 + k) % 16000 + 4000
            cell[0] = (raw - 4000.0) / 16000.0
            cell[0] = cell[0] * (k + 1.5)
            cell[0] = cell[0] + 0.25
            scaled[k] = value = cell[0]
            before = smooth[k]
            cell[0] = value - before
            cell[0] = TENTH * cell[0]
            cell[0] = before + cell[0]
            smooth[k] = cell[0]

    def _phase(self) -> None:
        phase = self.phase
        if phase == 0:
            self.valve = self.heater = False
            if self.delay.on:
                self.phase = 1
        elif phase == 1:
            self.valve = True
            if self.smooth[0] > SIXTENTHS:
                self.phase = 2
        elif phase in (2, 3):
            self.valve, self.heater = False, True
            self.phase = phase + 1
        elif 4 <= phase <= 9:
            if self.hold.on:
                self.phase = phase + 1
            self.heater = self.hold.on
        else:
            self.cycles += 1
            self.phase = 0

    def values(self) -> list[float]:
        """What `watched` names, in its order."""
        plain = [self.tick, self.total, self.over, self.phase, self.cycles]
        plain += [self.valve, self.heater, self.ready, self.alarm]
        timers = [v for t in (self.delay, self.hold, self.pulse) for v in (t.on, t.elapsed)]
        counts = [self.parts.count, self.spare.count, self.balance.count]
        drives = [v for d in self.drives for v in (d.on, d.fault, d.starts)]
        history = [self.history[k] for k in (0, 19, ELEMENTS - 1)]
        ramp = [self.ramp.value, self.horn]
        return [
            *plain,
            *timers,
            self.blink.elapsed,
            *counts,
            *ramp,
            *drives,
            *self.lamps,
            *self.smooth,
            *history,
        ]
