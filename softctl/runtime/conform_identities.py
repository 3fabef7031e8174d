"""What a conformance run shows at TLS handshakes: certificates by what is wrong with them."""

from __future__ import annotations

import ssl
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from softctl.conform.steps import Hello, Show

VERSIONS = {
    "1.0": ssl.TLSVersion.TLSv1,
    "1.1": ssl.TLSVersion.TLSv1_1,
    "1.2": ssl.TLSVersion.TLSv1_2,
    "1.3": ssl.TLSVersion.TLSv1_3,
}
_OLD = ("1.0", "1.1")
_OLD_CIPHERS = "ALL:@SECLEVEL=0"
"""Without this OpenSSL 3 offers no version below 1.2 at all."""


@dataclass(frozen=True, slots=True)
class Identities:
    """The authority that signed the server's certificate, and what clients may show.

    `pairs` are files with a certificate and with its key (None: in the same file).
    """

    authority: Path | None
    pairs: Mapping[Show, tuple[Path, Path | None]] = field(default_factory=dict)

    def context(self, hello: Hello) -> ssl.SSLContext:
        """A client that offers just this; the server's certificate is always verified.

        Raises:
            OSError: a file cannot be read or is no certificate, or the ssl module has
                nothing of what is to be offered (ssl.SSLError, which is one).
        """
        context = ssl.create_default_context(cafile=self.authority)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # old versions are meant
            context.minimum_version = VERSIONS[hello.lowest]
            context.maximum_version = VERSIONS[hello.highest]
        if hello.ciphers or hello.lowest in _OLD:
            context.set_ciphers(hello.ciphers or _OLD_CIPHERS)
        if hello.curve:
            context.set_ecdh_curve(hello.curve)
        if hello.show in self.pairs:
            certificate, key = self.pairs[hello.show]
            context.load_cert_chain(certificate, key, password=no_pass_phrase)
        return context


def no_pass_phrase() -> NoReturn:
    """Instead of asking at the terminal."""
    raise ValueError("a key with a password")
