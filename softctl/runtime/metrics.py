"""A running controller's figures for Prometheus; needs the extra `metrics`."""

from __future__ import annotations

from collections.abc import Iterator

from softctl.errors import SoftctlError
from softctl.runtime.control_service import ControlService

try:
    from prometheus_client import CollectorRegistry, Histogram, generate_latest
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
    from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4
    from prometheus_client.registry import Collector
except ImportError:
    raise SoftctlError(
        "expected the package prometheus-client for --metrics, got none: pip install '.[metrics]'"
    ) from None

CONTENT_TYPE = CONTENT_TYPE_PLAIN_0_0_4
_BUCKETS_S = (
    *(0.000_1, 0.000_2, 0.000_5, 0.001, 0.002, 0.005, 0.01),
    *(0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0),
)


class Metrics:
    """Counts every scan of a service from now on; everything else is read when asked for."""

    def __init__(self, service: ControlService) -> None:
        self._registry = CollectorRegistry()
        self._scan = Histogram(
            "softctl_scan_seconds",
            "Wall time of a scan, field requests included",
            buckets=_BUCKETS_S,
            registry=self._registry,
        )
        self._jitter = Histogram(
            "softctl_scan_jitter_seconds",
            "How late a scan began after its planned instant",
            buckets=_BUCKETS_S,
            registry=self._registry,
        )
        self._registry.register(_Figures(service))
        service.after_scan.append(self._note)

    def text(self) -> bytes:
        """All of them in the text format, version 0.0.4."""
        return generate_latest(self._registry)

    def _note(self, duration_ns: int, jitter_ns: int) -> None:
        self._scan.observe(duration_ns / 1e9)
        self._jitter.observe(jitter_ns / 1e9)


class _Figures(Collector):
    def __init__(self, service: ControlService) -> None:
        self._service = service

    def collect(self) -> Iterator[Metric]:
        controller = self._service.controller
        statistics, watch = controller.statistics, controller.watch
        values = controller.values()
        age_ns = self._service.scan_age_ns
        yield from (
            _counter("scans", "Scans made", statistics.scans),
            _counter(
                "overruns", "Planned scans that came while one was running", statistics.overruns
            ),
            _tasks(controller.instance.task_overruns),
            _gauge("control_state", "0 programs stopped, 1 running, 2 faulted", controller.state),
            _gauge("field_link_healthy", "1 while the field link is", controller.link_healthy),
            _gauge("hmi_clients", "Connected HMI clients", controller.clients),
            _gauge("alarms_active", "Active alarms", int(values["ALARMS_ACTIVE"])),
            _gauge("alarms_waiting", "Unacknowledged alarms", int(values["ALARMS_WAITING"])),
            _counter(
                "alarms_raised",
                "Alarms announced",
                watch.board.rates.figures(self._service.now_ns).total,
            ),
            _gauge("forces", "Variables that a person holds", len(controller.forces.held)),
            _counter("guards_broken", "Guards that did not hold", watch.guards_broken),
            _gauge("journal_fault", "1 while the journal has trouble", controller.journal_fault),
        )
        if age_ns is not None:
            yield _gauge("last_scan_age_seconds", "Time since the last scan", age_ns / 1e9)


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(f"softctl_{name}", text, value=float(value))


def _counter(name: str, text: str, value: float) -> Metric:
    return CounterMetricFamily(f"softctl_{name}", text, value=float(value))


def _tasks(overruns: dict[str, int]) -> Metric:
    family = CounterMetricFamily(
        "softctl_task_overruns", "Releases of a task that no scan could run", labels=["task"]
    )
    for task, count in overruns.items():
        family.add_metric([task], count)
    return family
