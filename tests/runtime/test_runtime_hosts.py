"""Where outputs may be driven."""

from __future__ import annotations

import pytest

from softctl.runtime.hosts import is_loopback


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.1", "::1", "localhost"])
def test_loopback_hosts(host: str) -> None:
    """Loopback in any spelling (RFC 1122 section 3.2.1.3, RFC 4291 section 2.5.3)."""
    assert is_loopback(host)


@pytest.mark.parametrize("host", ["192.0.2.1", "0.0.0.0", "::", "2001:db8::1", "no.such.invalid"])
def test_other_hosts(host: str) -> None:
    """Documentation addresses, the unspecified address and unknown names are not loopback."""
    assert not is_loopback(host)
