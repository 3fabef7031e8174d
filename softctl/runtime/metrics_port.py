"""/health and /metrics of a running controller."""

from __future__ import annotations

import json
from http import HTTPStatus

from softctl.runtime.control_service import ControlService
from softctl.runtime.health import health
from softctl.runtime.http_port import HttpPort, Page


def metrics_port(service: ControlService) -> HttpPort:
    """A port with both pages, not yet started; raises SoftctlError without the extra."""
    from softctl.runtime.metrics import CONTENT_TYPE, Metrics

    metrics = Metrics(service)

    def show_health() -> Page:
        found = health(service.controller, service.scan_age_ns)
        status = HTTPStatus.OK if found.is_good else HTTPStatus.SERVICE_UNAVAILABLE
        return Page(status, "application/json", json.dumps(found.body).encode() + b"\n")

    def show_metrics() -> Page:
        return Page(HTTPStatus.OK, CONTENT_TYPE, metrics.text())

    return HttpPort({"/health": show_health, "/metrics": show_metrics})
