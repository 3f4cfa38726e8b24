"""Plans the demo season and makes the small linked map and the pictures in demo_maps/.

    .venv/bin/python scripts/make_previews.py

The pictures of the page need playwright and a Chromium on the path.
"""

from __future__ import annotations

import shutil
import tempfile
from datetime import datetime
from pathlib import Path

from playwright.sync_api import sync_playwright

from sourcing.outputs.maps import write_map
from sourcing.outputs.pagemaps import land_of
from sourcing.outputs.programme import programme
from sourcing.outputs.weekpicture import scene_of, telling_week, write_week_picture
from sourcing.plan import plan_season

DEMO = Path(__file__).resolve().parent.parent / "demo_maps"
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]


def photograph(page: Path, picture: Path, width: int, height: int) -> None:
    """The offline page as it opens, as a PNG."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=QUIET)
        try:
            tab = browser.new_context(offline=True, viewport={"width": width, "height": height}).new_page()
            tab.goto(page.as_uri())
            tab.wait_for_timeout(1500)
            tab.screenshot(path=picture)
        finally:
            browser.close()


if __name__ == "__main__":
    plan = plan_season(DEMO / "season", datetime.now().astimezone(), print)
    write_map(plan, DEMO / "map.html", offline=False)
    scene = scene_of(programme(plan), land_of(plan))
    write_week_picture(scene, telling_week(scene, plan.calendar.monday(0)), DEMO / "preview_week.png")
    with tempfile.TemporaryDirectory() as folder:
        offline = Path(folder) / "map.html"
        write_map(plan, offline)
        photograph(offline, DEMO / "preview_map.png", 1400, 880)
        photograph(offline, DEMO / "preview_phone.png", 390, 844)
