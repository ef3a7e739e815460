"""A real browser, for tests of pages."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here: apt-get install chromium")


def browse(page: Path, *arguments: str) -> str:
    """Open a page in a fresh headless Chromium without any network of its own; answers what it logged."""
    assert CHROMIUM is not None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        done = subprocess.run(
            [
                CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
                "--enable-logging=stderr", "--v=0", f"--user-data-dir={profile}", *arguments, page.as_uri(),
            ],
            capture_output=True, text=True, timeout=90, check=True,
        )  # fmt: skip
    return done.stdout + done.stderr
