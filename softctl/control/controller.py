"""One controller: programs, the image of their field points, and the HMI map."""

from __future__ import annotations

from collections.abc import Sequence

from softctl.control.alarm_desk import AlarmDesk
from softctl.control.forces import Forces
from softctl.control.hmi import HmiMap
from softctl.control.retain import Retained, WarmStart
from softctl.control.states import ControlState
from softctl.control.statistics import ScanStatistics
from softctl.control.watch import Watch
from softctl.errors import SoftctlError
from softctl.image import Side, field_banks, point_reader, point_writer
from softctl.logic import Application, Global, Instance, LogicFault, TakeOver
from softctl.machine import Machine, Point, Role, Value


def program_globals(machine: Machine) -> list[Global]:
    """The points that programs see as global variables, by name.

    Programs may write outputs and states; inputs, commands, set points and the
    controller's own figures are theirs to read only.
    """
    return [
        Global(
            point.name,
            point.type.name,
            writable=point.role in (Role.OUTPUT, Role.STATE),
            initial=point.safe_value if point.role is Role.OUTPUT else point.initial,
        )
        for point in machine.points.values()
        if point.role is not Role.STEP and not point.source
    ]


class Controller:
    """Runs an application against two banks, one scan at a time, without IO or a clock.

    `field_banks` mirror the I/O cards of each unit id: before a scan the owner fills in their
    inputs, after it the owner sends their outputs. `hmi.bank` is what the HMI server serves;
    it is brought up to date in every scan while `shows`, which an owner without a server may
    take back.
    """

    def __init__(self, machine: Machine, application: Application) -> None:
        self.machine = machine
        self.application = application
        self.instance = application.instantiate()
        self.statistics = ScanStatistics()
        self.hmi = HmiMap(machine)
        self.field_banks = field_banks(machine)
        self.link_healthy = False
        self.fault: SoftctlError | None = None
        self._is_stopped = False
        self.clients = 0
        self.journal_fault = False
        self.shows = True
        self.watch = Watch(machine, application, self.instance)
        self._alarm_desk = AlarmDesk(machine, self.watch.board, self.hmi)
        self.forces = Forces(self.instance)
        self._figures: dict[str, Value] = {}
        self._bind()
        self._field_out(self._fail_safe)

    @property
    def state(self) -> ControlState:
        """Whether the programs run."""
        if self._is_stopped:
            return ControlState.STOPPED
        return ControlState.RUNNING if self.fault is None else ControlState.FAULTED

    def stop(self, now_ns: int, source: str) -> None:
        """Run no program until a restart: every force ends, every output goes fail-safe.

        A fault that stopped them before is done with.
        """
        self._is_stopped = True
        self.fault = None
        self._end_forces(now_ns, source)

    def fail(self, fault: SoftctlError, now_ns: int) -> None:
        """Run no program any more for this reason; as `stop`."""
        self.fault = fault
        self._end_forces(now_ns, "fault")

    def restart(self, *, cold: bool = False) -> WarmStart:
        """Start the programs anew from the next scan on; what became of RETAIN variables.

        Variables have their initial values, but in a warm start RETAIN variables go on with
        theirs (IEC 61131-3, rules of the RETAIN qualifier). Set points of the HMI stay.
        Raises SoftctlError while the programs run.
        """
        if self.state is ControlState.RUNNING:
            raise SoftctlError("expected stopped programs to restart, got programs that run")
        instance = self.application.instantiate()
        warm = (
            WarmStart(0, ()) if cold else _carry_retained(self.application, self.instance, instance)
        )
        self._is_stopped = False
        self._run(self.application, instance)
        return warm

    def _end_forces(self, now_ns: int, source: str) -> None:
        self.watch.happenings += self.forces.release_all(now_ns=now_ns, source=source)
        self.go_fail_safe()

    def change(self, application: Application) -> TakeOver:
        """Run another version of the programs from the next scan on.

        It has to be compiled for the same machine and to have passed the checks of a machine
        folder. Variables and forces go on as `Instance.take_over` says; a program that
        failed is replaced by one that runs.
        """
        instance = application.instantiate()
        taken = instance.take_over(self.instance)
        self._run(application, instance)
        return taken

    def _run(self, application: Application, instance: Instance) -> None:
        self.application, self.instance = application, instance
        self.fault = None
        self.watch.bind(application, instance)
        self.forces.bind(instance)
        self._bind()

    def _bind(self) -> None:
        """Build the copies that every scan makes."""
        machine, instance = self.machine, self.instance
        inputs = _points(machine, Role.INPUT)
        outputs = _points(machine, Role.OUTPUT)
        self._field_in = point_reader(self.field_banks, machine, inputs, Side.FIELD, wired=True)
        self._set_inputs = instance.writer([p.name for p in inputs], rounded=True)
        self._field_out = point_writer(self.field_banks, machine, outputs, Side.FIELD, wired=True)
        self._outputs = instance.reader([p.name for p in outputs])
        self._set_outputs = instance.writer([p.name for p in outputs])
        self._fail_safe = [p.safe_value for p in outputs]
        self._set_written = instance.writer([p.name for p in self.hmi.written])
        self._system = [*_points(machine, Role.SYSTEM), *_points(machine, Role.ALARM)]
        self._set_system = instance.writer([p.name for p in self._system])
        self._set_counters = instance.writer(["HEARTBEAT", "SCAN_COUNT"])
        self._sources: tuple[object, ...] = ()
        self._last_inputs: Sequence[Value] | None = None
        self._last_written: Sequence[Value] | None = None
        plain = [p for p in self.hmi.shown if p.role is not Role.STEP]
        self._shown = instance.reader([p.source or p.name for p in plain])
        charts = [p.chart for p in self.hmi.shown if p.role is Role.STEP]
        self._step_flags = [
            instance.reader([f"{chart}.{step}.X" for step in step_names(self.application, chart)])
            for chart in charts
        ]

    def go_fail_safe(self) -> None:
        """Put every output, in the image and on the HMI map, at its fail-safe value."""
        self._set_outputs(self._fail_safe)
        self._field_out(self._fail_safe)
        self._show()

    def scan(self, now_ns: int) -> None:
        """Input image, programs, output image.

        While the field link is down the programs go on, so that they can react to
        COMMS_ALARM, on the last inputs that came; their outputs are overruled by the
        declared fail-safe values. A program that fails stops every program until a restart,
        and ends every force. Stopped programs do not see the commands that come meanwhile.
        """
        if self.forces:
            self.watch.happenings += self.forces.expire(now_ns)
        inputs, written = self._field_in(), self.hmi.take()
        # Readers give the same tuple until something changes, and programs only read these.
        if inputs is not self._last_inputs:
            self._last_inputs = inputs
            self._set_inputs(inputs)
        if written is not self._last_written:
            self._last_written = written
            self._set_written(written)
            self.watch.note_given()
        requested = self._alarm_desk.take(written, now_ns)
        if requested:
            self.watch.happenings += requested
        self._set_figures()
        if self.fault is None and not self._is_stopped:
            try:
                self.instance.scan(now_ns)
            except LogicFault as fault:
                self.fail(fault, now_ns)
        self.hmi.release_commands(written)
        self.watch.scan(now_ns)
        if self.link_healthy and self.fault is None and not self._is_stopped:
            self._field_out(self._outputs())
            self._show()
        else:
            self.go_fail_safe()

    def values(self) -> dict[str, Value]:
        """The value of every point that has a place on the HMI map, as last shown there."""
        written = zip(self.hmi.written, self.hmi.take(), strict=True)
        shown = zip(self.hmi.shown, self._shown_values(), strict=True)
        return {point.name: value for point, value in (*written, *shown)}

    def _set_figures(self) -> None:
        """Those that count scans, and all when one of their sources has changed."""
        statistics, watch = self.statistics, self.watch
        force_count = self.instance.force_count
        sources = (
            statistics.duration_ns,
            statistics.jitter_ns,
            statistics.overruns,
            self.clients,
            self.link_healthy,
            self.fault,
            self._is_stopped,
            self.journal_fault,
            force_count,
            watch.guards_broken,
            watch.board.revision,
            self._alarm_desk.reply,
        )
        if force_count:
            watch.note_given()  # one force may have taken the place of another
        if sources != self._sources:
            self._sources = sources
            watch.note_given()
            self._figures |= self._alarm_desk.news()
            self._figures |= {
                **statistics.points(),
                "CLIENTS": self.clients,
                "FIELD_LINK": self.link_healthy,
                "COMMS_ALARM": not self.link_healthy,
                "PROGRAM_FAULT": self.fault is not None,
                "CONTROL_STATE": int(self.state),
                "JOURNAL_FAULT": self.journal_fault,
                "FORCES": force_count,
                "GUARDS_BROKEN": watch.guards_broken,
            }
            self._set_system([self._figures[point.name] for point in self._system])
        self._set_counters(statistics.counters())

    def _show(self) -> None:
        if self.shows:
            self.hmi.show(self._shown_values())

    def _shown_values(self) -> list[Value]:
        plain = iter(self._shown())
        steps = iter(self._active_numbers())
        return [next(steps if p.role is Role.STEP else plain) for p in self.hmi.shown]

    def _active_numbers(self) -> list[int]:
        """The number of the first active step of each shown chart."""
        return [flags.index(True) if True in (flags := read()) else 0 for read in self._step_flags]


def step_names(application: Application, chart: str) -> Sequence[str]:
    """The names of a chart's steps in declaration order: the meaning of a step number.

    Raises KeyError when no program of that name has a chart.
    """
    for candidate in application.charts:
        if candidate.program.casefold() == chart.casefold():
            return [step.name for step in candidate.steps]
    raise KeyError(chart)


def _carry_retained(application: Application, old: Instance, new: Instance) -> WarmStart:
    saved = Retained(application, old).changed()
    return WarmStart(0, ()) if saved is None else Retained(application, new).load(saved)


def _points(machine: Machine, role: Role) -> list[Point]:
    return [point for point in machine.points.values() if point.role is role]
