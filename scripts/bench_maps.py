"""How large the season map is, and how fast: size, time until it can be used, time for one week's step.

Run from the project's root: python scripts/bench_maps.py [--most 400000] [--json bench-maps.json]
Needs a Chromium on the search path and the test extras. The plain map beside it is folium's own GeoJson layer with a
fixed colour, drawn on a canvas, Leaflet put into the page likewise; it has no weeks.
"""

import argparse
import json
import re
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import folium

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from sourcing.outputs.maps import leaflet_text, render_map
from tests.browser.conftest import FLAGS, NAMES
from tests.landscape import landscape

SIZES = (2_000, 20_000, 100_000, 400_000)
GEOJSON_UP_TO = 100_000
STEP = """async () => {
    const slider = document.getElementById('week'), taken = [];
    const canvases = document.querySelectorAll('.leaflet-overlay-pane canvas');
    const settle = () => { for (const c of canvases) c.getContext('2d').getImageData(0, 0, 1, 1); };
    for (let w = 4; w < 16; w++) {
        settle();
        await new Promise((done) => setTimeout(done, 60));
        const from = performance.now();
        slider.value = w;
        slider.dispatchEvent(new Event('input'));
        settle();
        document.body.offsetHeight;
        taken.push(performance.now() - from);
    }
    return taken;
}"""


def processor_ms(inside):
    """What the page's thread has worked so far [ms of processor time]; other work on the machine does not count."""
    got = inside.send("Performance.getMetrics")["metrics"]
    return 1000 * next(m["value"] for m in got if m["name"] == "TaskDuration")


def measure(driver, found, path, slow=1, weeks=True):
    """Time to interactive and processor time until then, median and longest step, processor time a step [ms]."""
    browser = driver.chromium.launch(executable_path=found, args=FLAGS)
    try:
        page = browser.new_context(offline=True, viewport={"width": 1280, "height": 800}).new_page()
        page.set_default_timeout(240_000)
        inside = page.context.new_cdp_session(page)
        inside.send("Performance.enable", {"timeDomain": "threadTicks"})
        if slow > 1:
            inside.send("Emulation.setCPUThrottlingRate", {"rate": slow})
        page.goto(path.as_uri(), wait_until="load")
        ready = "performance.getEntriesByName('season-ready')[0]?.startTime"
        if not weeks:
            ready = "window.drawnAt"
        end = time.monotonic() + 240
        while (at := page.evaluate(ready)) is None:
            if time.monotonic() > end:
                return (None,) * 5
            time.sleep(0.02)
        worked = processor_ms(inside)
        steps = page.evaluate(STEP) if weeks else [0.0]
        step_worked = (processor_ms(inside) - worked) / len(steps)
        return at, worked, statistics.median(steps), max(steps), step_worked
    finally:
        browser.close()


def plain_map(plan):
    """The same fields in folium's own GeoJson layer."""
    season = folium.Map(tiles=None, prefer_canvas=True)
    season.fit_bounds([[*plan.fields.frame.total_bounds[1::-1]], [*plan.fields.frame.total_bounds[:1:-1]]])
    folium.GeoJson(plan.fields.frame[["geometry"]].to_json(drop_id=True), style_function=lambda _: {}).add_to(season)
    text = season.get_root().render()
    script, style = f"<script>{leaflet_text('leaflet.js')}</script>", f"<style>{leaflet_text('leaflet.css')}</style>"
    text = re.sub(r'<script src="(.*?)"></script>', lambda m: script if m[1].endswith("/leaflet.js") else "", text)
    text = re.sub(
        r'<link rel="stylesheet" href="(.*?)"/>', lambda m: style if m[1].endswith("/leaflet.css") else "", text
    )
    drawn = "requestAnimationFrame(() => setTimeout(() => { window.drawnAt = performance.now(); }));"
    return text.replace("</html>", f"<script>{drawn}</script></html>")


def main():
    """Print the table, and write it as JSON where asked."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--most", type=int, default=max(SIZES))
    ask.add_argument("--json", type=Path)
    args = ask.parse_args()
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if not found:
        sys.exit("no Chromium on the search path")
    from playwright.sync_api import sync_playwright

    rows = []
    head = (
        "fields",
        "page MB",
        "made in s",
        "ready ms",
        "ready 6x slower",
        "step ms",
        "longest",
        "plain MB",
        "plain ms",
    )
    print(" | ".join(head))
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        for n in (n for n in SIZES if n <= args.most):
            plan = landscape(n_fields=n, n_villages=max(4, n // 400), weeks=26, odd=False, fast=True)
            start = time.perf_counter()
            text = render_map(plan)
            made = time.perf_counter() - start
            path = Path(folder) / "season.html"
            path.write_text(text, encoding="utf-8")
            ready, worked, step, longest, step_worked = measure(driver, found, path)
            slow = measure(driver, found, path, slow=6)[0]
            row = [n, len(text) / 1e6, made, ready, worked, slow, step, longest, step_worked, None, None]
            if n <= GEOJSON_UP_TO:
                path.write_text(plain_map(plan), encoding="utf-8")
                row[9:] = [path.stat().st_size / 1e6, measure(driver, found, path, weeks=False)[0]]
            rows.append(row)
            print(" | ".join("-" if v is None else f"{v:,.2f}" if v < 10 else f"{v:,.0f}" for v in row), flush=True)
    if args.json:
        args.json.write_text(json.dumps([dict(zip(head, row, strict=True)) for row in rows], indent=1))


if __name__ == "__main__":
    main()
