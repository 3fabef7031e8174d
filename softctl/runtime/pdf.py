"""An HTML page as PDF, printed by a browser that is there already."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from softctl.errors import SoftctlError

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
_TIMEOUT_S = 120


def find_browser() -> str | None:
    """A browser of the Chromium family on the search path, which can print without a screen."""
    return next((path for name in _BROWSERS if (path := shutil.which(name))), None)


def require_browser() -> str:
    """The browser that prints; raises SoftctlError when there is none."""
    browser = find_browser()
    if browser is None:
        raise SoftctlError(
            f"expected a browser to print the PDF with ({', '.join(_BROWSERS)}), got none: "
            "write the HTML page with --html and print that"
        )
    return browser


def print_pdf(html: str, target: Path) -> None:
    """Write a self-contained page as PDF; raises SoftctlError when the browser cannot."""
    browser = require_browser()
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "page.html"
        page.write_text(html, encoding="utf-8")
        made = Path(folder) / "page.pdf"
        command = [browser, "--headless", "--disable-gpu", "--no-pdf-header-footer"]
        command += [f"--user-data-dir={folder}/profile", f"--print-to-pdf={made}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.append("--no-sandbox")  # a sandbox does not start for root
        try:
            done = subprocess.run(
                [*command, page.as_uri()], capture_output=True, text=True, timeout=_TIMEOUT_S
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise SoftctlError(f"expected {browser} to print a PDF, got {error}") from error
        if not made.is_file():
            said = (done.stderr.strip().splitlines() or ["nothing"])[-1]
            raise SoftctlError(f"expected {browser} to print a PDF, got: {said}")
        try:
            shutil.copyfile(made, target)
        except OSError as error:
            raise SoftctlError(f"expected to write {target}, got {error.strerror}") from error
