"""What went wrong between two sides of a TLS connection, in a few words."""

from __future__ import annotations

import re
from typing import Final

_VERSIONED_ALERT: Final = re.compile(r"\b(?:tlsv13?|sslv3) alert\b")

_REASONS: Final = {
    "PEER_DID_NOT_RETURN_A_CERTIFICATE": "no client certificate",
    "UNSUPPORTED_PROTOCOL": "no TLS version from 1.2 on",
    "VERSION_TOO_LOW": "no TLS version from 1.2 on",
    "HTTP_REQUEST": "no TLS",
    "HTTPS_PROXY_REQUEST": "no TLS",
    "WRONG_VERSION_NUMBER": "no TLS",
    "NO_SHARED_CIPHER": "no cipher suite that both sides have",
}


def explain_tls_error(error: Exception) -> str:
    """What went wrong in a handshake, in a few words."""
    words = getattr(error, "verify_message", "")
    if words:
        return f"certificate refused: {words}"
    reason = getattr(error, "reason", None)
    if isinstance(reason, str):
        text = _REASONS.get(reason, reason.replace("_", " ").lower())
        return _VERSIONED_ALERT.sub("alert", text)
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
