"""What the --tls options of `softctl conform` mean."""

from __future__ import annotations

import ssl
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from softctl.conform import Secured, Show
from softctl.conform.ranges import parse_ranges
from softctl.conform.steps import Hello
from softctl.errors import SoftctlError
from softctl.runtime.conform_identities import Identities

_GIVEN: dict[str, Show] = {
    show.value: show for show in Show if show not in (Show.OWN, Show.NOTHING)
}
_SIGNED = (Show.EXPIRED, Show.NOT_YET, Show.NO_ROLE, Show.TWO_ROLES, Show.OTHER_STRING)
_OF_ROLES = (Show.TWO_ROLES, Show.OTHER_STRING)


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a run needs: all None in the clear."""

    context: ssl.SSLContext | None = None
    identities: Identities | None = None
    secured: Secured | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsOptions:
    """The --tls options as they were given."""

    is_on: bool = False
    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None
    name: str | None = None
    ca_key: Path | None = None
    clients: tuple[str, ...] = ()
    no_read: tuple[str, ...] = ()
    no_write: tuple[str, ...] = ()

    @property
    def has_tls(self) -> bool:
        """Whether TLS is spoken, because of any of them."""
        files = (self.ca, self.cert, self.key, self.name, self.ca_key)
        return self.is_on or any((*files, self.clients, self.no_read, self.no_write))

    @contextmanager
    def prepared(self) -> Iterator[Prepared]:
        """Everything made and read; what was made is deleted afterwards.

        Raises:
            SoftctlError: a file that cannot be read or holds something else, or an option
                that another one lacks.
        """
        if not self.has_tls:
            yield Prepared()
            return
        if self.key is not None and self.cert is None:
            raise SoftctlError("expected --tls-cert beside --tls-key, got none")
        if self.ca_key is not None and (self.ca is None or self.cert is None):
            raise SoftctlError("expected --tls-ca and --tls-cert beside --tls-ca-key, got less")
        pairs = self._given()
        with tempfile.TemporaryDirectory(prefix="softctl-conform-") as folder:
            missing = self._make(pairs, Path(folder))
            identities = Identities(self.ca, pairs)
            context = _loaded(identities, self.ca)
            for show in _GIVEN.values():
                if show in pairs:
                    _loaded(identities, self.ca, Hello(show))
            secured = Secured(missing, parse_ranges(self.no_read), parse_ranges(self.no_write))
            yield Prepared(context, identities, secured)

    def _given(self) -> dict[Show, tuple[Path, Path | None]]:
        """The certificates that the user named."""
        pairs: dict[Show, tuple[Path, Path | None]] = {}
        if self.cert is not None:
            pairs[Show.OWN] = self.cert, self.key
        for text in self.clients:
            kind, equals, file = text.partition("=")
            if kind not in _GIVEN or not (equals and file):
                raise SoftctlError(
                    f"expected KIND=FILE with one of the kinds {', '.join(_GIVEN)}, got {text}"
                )
            pairs[_GIVEN[kind]] = Path(file), None
        return pairs

    def _make(self, pairs: dict[Show, tuple[Path, Path | None]], folder: Path) -> dict[Show, str]:
        """Add what can be made here to the pairs; why the others are missing."""
        missing: dict[Show, str] = dict.fromkeys(_GIVEN.values(), "needs --tls-ca and --tls-cert")
        if self.cert is None:
            missing[Show.OWN] = "needs --tls-cert"
        elif self.ca is not None:
            try:
                from softctl.runtime.conform_certificates import WrongCertificates
            except ImportError:
                reason = "needs the package cryptography: pip install 'softctl[tls]'"
                missing = dict.fromkeys(_GIVEN.values(), reason)
            else:
                makes = WrongCertificates(self.cert, self.ca, folder)
                made = makes.make_unsigned()
                if self.ca_key is not None:
                    made |= makes.make_signed(self.ca_key)
                missing |= {show: _needs(show) for show in _SIGNED}
                if not makes.has_role:
                    missing |= dict.fromkeys(_OF_ROLES, "the certificate in --tls-cert has no role")
                pairs |= {show: (path, None) for show, path in made.items() if show not in pairs}
        return {show: reason for show, reason in missing.items() if show not in pairs}


def _needs(show: Show) -> str:
    return f"needs --tls-ca-key FILE, or --tls-client {show.value}=FILE"


def _loaded(identities: Identities, ca: Path | None, hello: Hello | None = None) -> ssl.SSLContext:
    """A context of these files; raises SoftctlError if they are not what they should be."""
    hello = hello or Hello(highest="1.3")
    try:
        return identities.context(hello)
    except (OSError, ValueError) as error:
        paths = [path for path in (ca, *identities.pairs.get(hello.show, ())) if path]
        names = ", ".join(str(path) for path in paths)
        reason = getattr(error, "strerror", None) or str(error)
        raise SoftctlError(
            f"expected certificates and a key in PEM form in {names}, got {reason}"
        ) from error
