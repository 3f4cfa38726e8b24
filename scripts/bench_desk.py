"""How quick the desk is: each kind of page in a real browser, and how far behind the work the progress shown is.

    python scripts/bench_desk.py --fields 20000 --into FOLDER [--seconds 60] [--plans 1] [--json bench-desk.json]

Needs a Chromium on the search path and the test extras. A made-up survey is put into a season by hand at the desk,
checked, accepted, planned, weighed and planned again as a what-if; then every page is opened several times. A page is
interactive at the first frame after its load event, its maps drawn. `--plans N` copies the plan until the season has N.
FOLDER keeps the season: a second run only measures.
"""

import argparse
import json
import shutil
import statistics
import sys
import threading
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from scripts.bench_scale import SEASON, register
from sourcing.desk.app import open_desk
from sourcing.desk.jobs import AT_WORK, job_file
from sourcing.desk.planpages import TABS
from sourcing.desk.shelf import WORK
from sourcing.desk.store import read_json
from sourcing.desk.work import CHECK_FILE
from tests.browser.conftest import FLAGS, NAMES
from tests.browser.test_desk import PAGES

NAME, WHAT_IF = "Register", "more barrels"
TIMES = 5
MOST_MS = 1000.0
CLICK_MS, WAIT_MS = 20_000, 3_600_000
READY = """() => {
    const frame = () => requestAnimationFrame(() => setTimeout(() => { window.frameAt = performance.now(); }));
    addEventListener('load', frame);
    addEventListener('DOMContentLoaded', () => {
        const map = document.getElementById('choose');
        if (map) new MutationObserver(() => { if (map.dataset.drawn === 'yes') frame(); })
            .observe(map, {attributes: true});
    });
}"""
MAP_READY = "performance.timeOrigin + performance.getEntriesByName('season-ready')[0]?.startTime || null"
SEEN = """() => { window.seen = []; const doing = document.getElementById('doing');
    new MutationObserver(() => seen.push([doing.textContent, Date.now() / 1000]))
        .observe(doing, {childList: true, characterData: true, subtree: true}); }"""


def survey(fields, folder):
    """Files as a planner would have them: fields with crop and village, and the villages."""
    register(fields, folder / "made", 0.0)
    villages = gpd.read_parquet(folder / "made" / "villages.parquet")
    parts = [gpd.read_parquet(p) for p in sorted((folder / "made" / "register").glob("*.parquet"))]
    found = pd.concat(parts, ignore_index=True)
    metres = found.estimate_utm_crs()
    near = villages.to_crs(metres).sindex.nearest(found.to_crs(metres).centroid, return_all=False)[1]
    found["village"] = villages["name"].to_numpy()[near]
    found["yield_t_ha"] = np.random.default_rng(2).uniform(0.5, 3.0, len(found)).round(2)
    found.loc[::50, "yield_t_ha"] = 90.0  # something to be found in the survey
    found.to_file(folder / "survey.gpkg", layer="survey")
    villages.to_file(folder / "villages.gpkg", layer="villages")
    shutil.rmtree(folder / "made")


def season_text(fields, seconds):
    """The options of a season of the made-up register, without its files, which are put in at the desk."""
    text = SEASON.format(fields=fields, sites=max(fields // 100, 4), barrels=max(fields // 40, 4), seconds=seconds)
    first, rest = text.split("[layers.fields]")
    return first + "[crop_names]" + rest.split("[crop_names]")[1]


class Watch:
    """When each thing that a season's work says it is doing first stood in its file."""

    def __init__(self, path):
        self.path, self.first, self.done = path, {}, False
        self.thread = threading.Thread(target=self.look, daemon=True)
        self.thread.start()

    def look(self):
        while not self.done:
            job = read_json(self.path) or {}
            if job.get("state") in AT_WORK:
                self.first.setdefault((job["id"], job["doing"]), time.time())
            time.sleep(0.02)


def behind(page, watch, began):
    """How long after it stood in the file each thing was shown [s]: of those that a page showed."""
    shown = page.evaluate("window.seen || []")
    stood = {doing: at for (_, doing), at in watch.first.items() if at >= began}
    return [at - stood[doing] for doing, at in shown if doing in stood]


def do(page, words, end, watch):
    """Presses a button and waits until its work is done; the seconds it took and how far behind it was shown."""
    began, late = time.time(), []
    page.get_by_role("button", name=words).first.click()
    page.wait_for_load_state()
    if page.locator("#work[data-at-work=yes]").count():
        page.evaluate(SEEN)
        while page.locator("#work[data-at-work=yes]").count():
            late = behind(page, watch, began)
            page.wait_for_timeout(500)
    page.wait_for_url(end, timeout=WAIT_MS)
    return time.time() - began, late


def play(page, home, stick, fields, seconds, folder):
    """The season from its files to a what-if; prints how long each piece of work took."""
    watch, season, late = Watch(job_file(folder / NAME / WORK)), f"{home}/s/{NAME}", []

    def step(what, words, end):
        took, found = do(page, words, end, watch)
        late.extend(found)
        print(f"{what}: {took:.0f} s", flush=True)

    page.fill("#name", NAME)
    page.get_by_role("button", name="Make the season").click()
    (folder / NAME / "season.toml").write_text(season_text(fields, seconds), encoding="utf-8")
    page.goto(season + "/survey")
    page.set_input_files("#files", [stick / "survey.gpkg", stick / "villages.gpkg"])
    page.get_by_role("button", name="Put into the season").click()
    for role in ("fields", "villages"):
        page.goto(f"{season}/survey/{role}?file={'survey' if role == 'fields' else role}.gpkg")
        page.wait_for_selector("table.columns", timeout=WAIT_MS)
        if role == "fields":
            page.select_option('[name="col.crop"]', "code")
        page.get_by_role("button", name="Use this").click()
        page.wait_for_url("**/survey?**" if role == "villages" else "**/findings")
    step("check the survey", "Check the survey", "**/findings")
    page.goto(season + "/accepted")
    step("accept it", "Accept the survey", "**/accepted?**")
    page.goto(season + "/choose")
    step("draw the map", "Draw the map", "**/choose")
    page.goto(season + "/plan")
    step("plan", "Plan the season", "**/plans/*")
    page.goto(page.url + "/worth")
    step("weigh", "Weigh it", "**/worth")
    watch.done = True
    watch = Watch(job_file(folder / NAME / "what-if" / WHAT_IF / WORK))
    page.goto(season + "/what-if")
    page.fill("#name", WHAT_IF)
    page.fill("#barrels", str(fields // 20))
    step("plan and compare a what-if", "Plan it and compare", "**/compared/*")
    watch.done = True
    return late


def addresses(folder):
    """An address for each kind of page, by the kind; each side of a plan is a kind."""
    season = folder / NAME
    plan = max(p.name for p in (season / "plans").iterdir())
    compared = next((season / "what-if" / WHAT_IF / WORK / "compared").glob("*__*")).name
    row = next(f["row"] for f in read_json(season / WORK / CHECK_FILE)["findings"] if f["row"])
    known = {"season": NAME, "role": "fields", "row": row, "page": "crops", "plan": plan}
    found = {}
    for route in PAGES:
        path = route.path
        if "{tab}" in path:
            found |= {path.replace("{tab}", t): f"/s/{NAME}/plans/{plan}/{t}" for t in TABS if t}
        elif "{name}" in path:
            whole = path.replace("{season}", f"{NAME}~{WHAT_IF}").replace("{name}", compared)
            found |= {path: whole, f"{path}?table=": f"{whole}?table=carries"}
        else:
            found[path] = path.format(**known)
    return found


def interactive(page, address):
    """From the asking to the first frame after the load event, and after its map is drawn [ms]."""
    answer = page.goto(address, wait_until="load", timeout=WAIT_MS)
    assert answer.ok, f"{address}: {answer.status}"
    while not page.evaluate("window.frameAt && !document.querySelector('#choose:not([data-drawn=yes])')"):
        page.wait_for_timeout(10)
    page.wait_for_timeout(60)
    began, inside = page.evaluate("performance.timeOrigin"), [f for f in page.frames if f.url.endswith("/map.html")]
    while inside and (drawn := inside[0].evaluate(MAP_READY)) is None:
        page.wait_for_timeout(10)
    return drawn - began if inside else page.evaluate("window.frameAt")


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--fields", type=int, default=20_000)
    ask.add_argument("--into", type=Path, required=True)
    ask.add_argument("--seconds", type=float, default=60.0, help="for the search of a plan")
    ask.add_argument("--plans", type=int, default=1)
    ask.add_argument("--json", type=Path)
    asked = ask.parse_args()
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if not found:
        sys.exit("no Chromium on the search path")
    from playwright.sync_api import sync_playwright

    stick, folder = asked.into / f"stick-{asked.fields}", asked.into / f"desk-{asked.fields}"
    fresh = not folder.exists()
    if fresh:
        stick.mkdir(parents=True, exist_ok=True)
        survey(asked.fields, stick)
        folder.mkdir()
    desk = open_desk(folder)
    thread = threading.Thread(target=desk.serve, daemon=True)
    thread.start()
    rows, late = [], []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=FLAGS)
        page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        page.set_default_timeout(CLICK_MS)
        page.goto(desk.address)
        home = desk.address.split("/?")[0]
        if fresh:
            late = play(page, home, stick, asked.fields, asked.seconds, folder)
        plans = folder / NAME / "plans"
        for number in range(len(list(plans.iterdir())), asked.plans):
            shutil.copytree(min(plans.iterdir()), plans / f"0000-copy-{number}")
        page.add_init_script(f"({READY})()")
        print("page | first ms | median ms | longest ms")
        for kind, address in addresses(folder).items():
            times = [interactive(page, home + address) for _ in range(TIMES)]
            rows.append([kind, times[0], statistics.median(times), max(times)])
            over = "  over" if rows[-1][2] > MOST_MS else ""
            print(f"{kind} | {times[0]:.0f} | {rows[-1][2]:.0f} | {rows[-1][3]:.0f}{over}", flush=True)
        browser.close()
    if late:
        print(f"progress shown {len(late)} times: {statistics.median(late):.2f} s behind, at most {max(late):.2f} s")
    desk.server.should_exit = True
    thread.join(10)
    if asked.json:
        asked.json.write_text(json.dumps({"pages": rows, "behind_s": late}, indent=1))


if __name__ == "__main__":
    main()
