"""A real Chromium, cut off from the network. Skips, saying so, where there is none."""

import os
import shutil
import subprocess
import time
from pathlib import Path

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


@pytest.fixture(scope="session")
def chromium():
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if not found:
        pytest.skip(f"no browser found: none of {', '.join(NAMES)} is on the search path")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class Opened:
    """A page opened with the network off, with all it asked for and complained of."""

    def __init__(self, context, path, address="", now="2027-09-25T09:00:00Z"):
        self.page = context.new_page()
        self.asked, self.trouble = [], []
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.on("pageerror", lambda e: self.trouble.append(str(e)))
        self.page.on("console", lambda m: self.trouble.append(m.text) if m.type == "error" else None)
        self.page.clock.set_fixed_time(now)
        self.page.goto(path.as_uri() + address)
        self.until("document.body.dataset.ready === 'yes'")

    def js(self, code, value=None):
        return self.page.evaluate(code, value)

    def until(self, code, seconds=20.0):
        end = time.monotonic() + seconds
        while not self.js(code):
            assert time.monotonic() < end, f"never came true: {code}; {self.trouble}"
            time.sleep(0.02)

    def text(self, selector):
        return self.page.inner_text(selector)


@pytest.fixture
def opener(chromium):
    """A function that opens a file at a size of screen."""
    contexts = []

    def open_page(path: Path, address="", size=(1280, 800), now="2027-09-25T09:00:00Z", **options):
        context = chromium.new_context(offline=True, viewport={"width": size[0], "height": size[1]}, **options)
        contexts.append(context)
        return Opened(context, path, address, now)

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def axe(tmp_path_factory):
    """The text of axe-core: the file AXE_CORE names, else from npm."""
    if named := os.environ.get("AXE_CORE"):
        return Path(named).read_text(encoding="utf-8")
    npm = shutil.which("npm")
    if not npm:
        pytest.skip("axe-core is not there: set AXE_CORE to axe.min.js, or install npm")
    folder = tmp_path_factory.mktemp("axe")
    got = subprocess.run([npm, "pack", "axe-core@4"], cwd=folder, capture_output=True, timeout=120, check=False)
    archives = list(folder.glob("axe-core-*.tgz"))
    if got.returncode or not archives:
        pytest.skip("axe-core could not be fetched with npm")
    shutil.unpack_archive(archives[0], folder, filter="data")
    return (folder / "package" / "axe.min.js").read_text(encoding="utf-8")
