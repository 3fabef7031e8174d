"""Who gets in: people, tokens, sessions, TLS, and pages that would be open to strangers."""

from __future__ import annotations

import hashlib
import json
import ssl
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_page import served
from websockets.exceptions import ConnectionClosed, InvalidStatus

from softctl.errors import ProblemsError, SoftctlError
from softctl.runtime.certificate_maker import KeyKind, make_certificates
from softctl.runtime.certificate_plan import Authority, Purpose, Wanted
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.web import people as people_module
from softctl.web.access import Person, Role, read_role
from softctl.web.people import People, password_entry, read_people, token_entry
from softctl.web.port import TlsFiles
from softctl.web.start import PageSettings, require_safe

PASSWORD = "correct horse battery"


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


@pytest.fixture(scope="module", autouse=True)
def _cheap() -> Iterator[None]:
    """Keys that are quick to make; the real cost is looked at in its own test."""
    kept = people_module.COST, people_module.LANES
    people_module.COST, people_module.LANES = 2**14, 1
    yield
    people_module.COST, people_module.LANES = kept


@pytest.fixture(scope="module")
def secrets() -> tuple[People, str]:
    anna = password_entry("anna", Role.OPERATE, PASSWORD)
    wall, token = token_entry("wall", Role.VIEW)
    text = f"# people\n{anna.line()}\n\n{wall.line()}  # hall 2\n"
    return read_people(text, "people"), token


def test_roles_are_in_order_and_may_what_the_one_before_may() -> None:
    """A refusal says what was needed and what there was."""
    assert [read_role(word) for word in ("view", "Operate ", "ENGINEER")] == list(Role)
    Person(Role.ENGINEER, "h").require(Role.OPERATE, "command")
    with pytest.raises(SoftctlError, match="expected the role operate or more for command, got"):
        Person(Role.VIEW, "h").require(Role.OPERATE, "command")
    with pytest.raises(
        SoftctlError, match=r"expected a role \(view, operate, engineer\), got boss"
    ):
        read_role("boss")


def test_only_the_right_password_or_token_finds_somebody(secrets: tuple[People, str]) -> None:
    """A token needs no name, a password does, and neither stands for the other."""
    people, token = secrets
    found = people.find("anna", PASSWORD)
    assert found is not None
    assert (found.name, found.role) == ("anna", Role.OPERATE)
    wall = people.find("", token)
    assert wall is not None
    assert wall.role is Role.VIEW
    for wrong in (("anna", PASSWORD + "x"), ("", PASSWORD), ("wall", token), ("bob", PASSWORD)):
        assert people.find(*wrong) is None


def test_a_key_is_scrypt_as_the_rfc_has_it() -> None:
    """The third test vector of RFC 7914, section 12, through the same function."""
    key = people_module._key("pleaseletmein", 16_384, 8, 1, b"SodiumChloride")
    assert key.hex() == "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    assert hashlib.scrypt(b"", salt=b"", n=16, r=1, p=1, dklen=4).hex() == "77d65762"


def test_a_file_with_errors_names_every_line() -> None:
    """Too few words, an unknown role, a secret that is none, a name twice."""
    token = token_entry("a", Role.VIEW)[0].line()
    text = f"{token}\n{token}\nb view\nc boss token:{'0' * 64}\nd view scrypt:1:8:1:AA:AA\n"
    with pytest.raises(ProblemsError) as caught:
        read_people(text, "people")
    found = [(one.place.line, one.message) for one in caught.value.problems]
    assert [line for line, _ in found] == [2, 3, 4, 5]
    assert "again" in found[0][1]
    with pytest.raises(ProblemsError, match="empty"):
        read_people("# nobody\n", "people")
    with pytest.raises(SoftctlError, match="expected a password of 10 characters or more, got 5"):
        password_entry("a", Role.VIEW, "short")


@pytest.mark.network
async def test_people_sign_in_and_out(folder: MachineFolder, secrets: tuple[People, str]) -> None:
    """Without a session nothing is shown; a session has its person's role, and ends."""
    settings = PageSettings(people=secrets[0])
    async with served(folder, settings=settings) as page:
        page.page.doors.pause_s = 0.0
        assert (await page.get("/api/model"))[0] == 401
        assert (await page.get("/"))[0] == 200
        with pytest.raises(InvalidStatus, match="401"):
            async with page.look():
                pass
        form = {"Origin": page.url.rstrip("/")}
        status, headers, _ = await page.request("POST", "/login", form, b"user=anna&password=no")
        assert (status, "set-cookie" in headers) == (403, False)
        body = b"user=anna&password=correct+horse+battery"
        assert (await page.request("POST", "/login", {}, body))[0] == 403
        status, headers, _ = await page.request("POST", "/login", form, body)
        assert status == 204
        cookie = headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        sent = {"Cookie": cookie.partition(";")[0]}
        model = json.loads((await page.get("/api/model", **sent))[2])
        assert (model["role"], model["user"]) == ("operate", "anna")
        async with page.look(additional_headers=sent) as viewer:
            await viewer.until("full")
            await viewer.do("command", name="START")
            sources = [one.source for one in page.entries if one.kind == "command"]
            assert sources == ["page: anna, operate 127.0.0.1"]
            assert (await page.request("POST", "/logout", sent))[0] == 403, "from another site"
            assert (await page.get("/logout", **sent))[0] == 405
            assert (await page.get("/api/model", **sent))[0] == 200
            for _ in range(2):
                status, headers, _ = await page.request("POST", "/logout", {**form, **sent})
                assert status == 204
                assert "max-age=0" in headers["set-cookie"].lower()
            with pytest.raises(ConnectionClosed):
                await viewer.until("never")
        assert (await page.get("/api/model", **sent))[0] == 401
        ways = [(one.what, one.source) for one in page.entries if one.what.startswith("signed ")]
        anna = "page: anna, operate 127.0.0.1"
        assert ways == [("signed in", anna), ("signed out", anna)]
        long = b"password=" + b"x" * 5_000
        assert (await page.request("POST", "/login", form, long))[0] == 413
        token = f"password={secrets[1]}".encode()
        assert (await page.request("POST", "/login", form, token))[0] == 204


def test_another_address_needs_people_and_tls(secrets: tuple[People, str]) -> None:
    """Neither alone is enough, and the refusal names what is missing."""
    files = TlsFiles(Path("page.pem"), Path("page.key"))
    for settings, missing in (
        (PageSettings("192.0.2.1"), r"--page-people.* and a certificate"),
        (PageSettings("192.0.2.1", people=secrets[0]), r"needs a certificate"),
        (PageSettings("192.0.2.1", tls=files), r"needs a file of people"),
    ):
        with pytest.raises(SoftctlError, match=missing):
            require_safe(settings)
    require_safe(PageSettings("192.0.2.1", people=secrets[0], tls=files))
    require_safe(PageSettings("::1"))


@pytest.mark.network
async def test_the_page_is_served_over_tls(
    folder: MachineFolder, secrets: tuple[People, str], tmp_path: Path
) -> None:
    """A browser that trusts the certificate signs in; the cookie never goes in the clear."""
    pair = Wanted(
        tmp_path / "page.pem",
        tmp_path / "page.key",
        Purpose.SERVER,
        "page",
        hosts=("127.0.0.1",),
    )
    authority = Authority(tmp_path / "authority.pem", tmp_path / "authority.key", [pair])
    make_certificates([authority], days=2, kind=KeyKind.P256, overwrite=False)
    files = TlsFiles(pair.certificate, pair.key)
    async with served(folder, settings=PageSettings(people=secrets[0], tls=files)) as page:
        assert page.url.startswith("https://")
        page.trust = ssl.create_default_context(cafile=authority.certificate)
        form = {"Origin": page.url.rstrip("/")}
        body = f"password={secrets[1]}".encode()
        status, headers, _ = await page.request("POST", "/login", form, body)
        assert status == 204
        assert "secure" in headers["set-cookie"].lower()
        sent = {"Cookie": headers["set-cookie"].partition(";")[0]}
        async with page.look(additional_headers=sent) as viewer:
            assert (await viewer.until("hello"))["role"] == "view"
    wrong = PageSettings(tls=TlsFiles(pair.key, pair.certificate))
    with pytest.raises(SoftctlError, match="expected a certificate in"):
        async with served(folder, settings=wrong):
            pass
