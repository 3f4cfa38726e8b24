"""A season played at the desk in a real browser, from an empty folder to sheets and a second survey's comparison."""

import json
import shutil
import threading
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import unquote, urlsplit

import geopandas as gpd
import pytest
from click.testing import CliRunner

from sourcing.cli import main
from sourcing.desk.app import open_desk, routes
from sourcing.desk.jobs import job_file
from sourcing.desk.planpages import TABS
from sourcing.desk.shelf import WORK
from sourcing.desk.store import read_json, write_json
from sourcing.desk.work import CHECK_FILE
from sourcing.plan import plan_season

pytestmark = pytest.mark.browser

DEMO = Path(__file__).resolve().parents[2] / "demo_maps" / "season"
EVERY = 80
BURKINA = Path(__file__).resolve().parents[3] / "shared" / "data" / "fields" / "bf_koumbia_jecam_100.gpkg"
WAIT_MS = 180_000
PAGES = [r for r in routes() if "GET" in r.methods and not any(part in r.path for part in (".", "{file}", "/assets/"))]
"""Addresses that show a page of the desk; the others give files."""
AXE = "async () => (await axe.run(document, {resultTypes: ['violations']})).violations"


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """The demo's files with a thinned survey, as a planner would have them on a stick."""
    folder = tmp_path_factory.mktemp("stick")
    for name in ("land.gpkg", "houses.gpkg", "relief.tif"):
        shutil.copy(DEMO / name, folder)
    for name in ("survey.gpkg", "second_survey.gpkg"):
        gpd.read_file(DEMO / name).iloc[::EVERY].to_file(folder / name, layer="survey")
    return folder


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    desk = open_desk(tmp_path_factory.mktemp("desk"))
    thread = threading.Thread(target=desk.serve, daemon=True)
    thread.start()
    yield desk
    desk.server.should_exit = True
    thread.join(10)


class Player:
    """A planner at the desk: what the page asked for elsewhere, and what axe says of every page seen."""

    def __init__(self, page, home, axe):
        self.page, self.home, self.axe = page, home, axe
        self.elsewhere, self.trouble, self.faults, self.seen = [], [], {}, set()
        page.on("request", lambda r: None if r.url.startswith((home, "data:")) else self.elsewhere.append(r.url))
        page.on("pageerror", lambda e: self.trouble.append(str(e)))
        page.on("console", lambda m: self.trouble.append(m.text) if m.type == "error" else None)

    def go(self, path):
        self.page.goto(self.home + path)
        self.look()

    def look(self, at_work=False):
        """Runs axe on the page as it is, and sees that a phone need not scroll sideways.

        A page that shows work is left alone unless `at_work`, since it may go on to another in the midst of it.
        """
        page = self.page
        page.wait_for_load_state()
        if page.locator("#work[data-at-work=yes]").count() and not at_work:
            return
        self.seen.add(unquote(urlsplit(page.url).path))
        page.evaluate(self.axe)
        found = [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in page.evaluate(AXE)]
        if found:
            self.faults[page.url] = found
        size = page.viewport_size
        page.set_viewport_size({"width": 390, "height": 844})
        if page.evaluate("document.documentElement.scrollWidth") > 391:
            self.faults[page.url + " on a phone"] = ["wider than the screen"]
        page.set_viewport_size(size)

    def unseen(self):
        """Addresses of pages that were never looked at."""
        return [r.path for r in PAGES if not any(r.path_regex.match(path) for path in self.seen)]

    def press(self, words):
        self.page.get_by_role("button", name=words).first.click()
        self.page.wait_for_load_state()

    def wait(self, end):
        self.page.wait_for_url(end, timeout=WAIT_MS)
        self.look()


def test_a_season_from_an_empty_folder_to_sheets_and_a_second_survey(chromium, opened, files, axe, tmp_path):
    home = opened.address.split("/?")[0]
    context = chromium.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
    page = context.new_page()
    player = Player(page, home, axe)
    page.goto(opened.address)
    page.wait_for_url(home + "/")
    player.look()

    # A new season, its files, its columns: the guesses are right.
    page.fill("#name", "Valley")
    page.select_option("#region", "southern_africa")
    page.fill("#barrels", "6")
    player.press("Make the season")
    player.look()
    for name in ("survey/fields", "findings", "file", "choose", "accepted", "plan", "work", "compare", "what-if"):
        player.go(f"/s/Valley/{name}")  # as they are while there is nothing
    player.go("/s/Valley/survey")
    page.set_input_files("#files", [files / n for n in ("survey.gpkg", "land.gpkg", "houses.gpkg", "relief.tif")])
    player.press("Put into the season")
    player.look()
    season = home + "/s/Valley"
    page.goto(season + "/survey/fields?file=survey.gpkg")
    page.wait_for_selector("table.columns", timeout=WAIT_MS)
    player.look()
    guessed = {
        n: page.input_value(f'[name="col.{n}"]') for n in ("crop", "village", "yield_t_ha", "clear_by", "consent")
    }
    assert guessed == {"crop": "main_crop", "village": "hamlet", "yield_t_ha": "yield_t", "clear_by": "free_until",
                       "consent": "agrees"}  # fmt: skip
    player.press("Use this")
    player.wait("**/findings")
    for role in ("villages", "paths", "barriers"):
        page.goto(f"{season}/survey/{role}?file=land.gpkg")
        page.wait_for_selector("text=Use this", timeout=WAIT_MS)
        player.look()
        player.press("Use this")
    page.goto(season + "/survey/elevation")
    page.select_option("#file", "relief.tif")
    player.press("Use this")
    player.look()

    # Findings: a word for a crop is told what it means, and the row is used.
    player.go("/s/Valley/findings")
    player.press("Check the survey")
    player.wait("**/findings")
    kept = int(page.locator(".figures dd").first.inner_text())
    if page.locator("select[name=means]").count():
        first = page.locator("select[name=means]").first
        word = page.locator("input[name=word]").first.input_value()
        first.select_option(index=1)
        player.press("Save and check again")
        player.wait("**/findings")
        assert int(page.locator(".figures dd").first.inner_text()) >= kept
        assert word not in [page.locator("input[name=word]").nth(i).input_value()
                            for i in range(page.locator("input[name=word]").count())]  # fmt: skip
    page.get_by_text("Mend or set aside").first.click()
    player.look()
    player.go("/s/Valley/findings")
    with page.expect_download() as taken:
        page.get_by_text("Rows to mend, as a spreadsheet").click()
    assert Path(taken.value.path()).read_bytes()[:2] == b"PK"

    # Settings by forms; every page of them.
    for name in ("season", "crops", "villages", "wishes", "work", "money"):
        player.go(f"/s/Valley/settings/{name}")
    player.go("/s/Valley/settings/land")
    page.select_option('[name="layers.no_go#0.file"]', "houses.gpkg")
    page.fill('[name="layers.no_go#0.layer"]', "houses")
    page.fill('[name="layers.no_go#0.kind"]', "house")
    page.fill('[name="sites.spacing_m"]', "1200")
    player.press("Save")
    player.go("/s/Valley/settings/barrels")
    page.fill('[name="placement.seconds"]', "soon")
    player.press("Save")
    assert page.locator(".option.wrong").count() == 1
    player.look()
    page.fill('[name="placement.seconds"]', "6")
    page.fill('[name="placement.gap"]', "0.3")
    player.press("Save")
    player.go("/s/Valley/settings/chances")
    page.fill('[name="stress.replays"]', "20")
    player.press("Save")
    player.go("/s/Valley/figures")
    page.fill('[name="own:money.char_value_per_kg"]', "3")
    player.press("Save")
    player.look()

    # A village is left out on the map, by the keyboard's way too.
    player.go("/s/Valley/choose")
    player.press("Draw the map")
    player.wait("**/choose")
    page.wait_for_selector("#choose[data-drawn]")
    village = page.locator("table tbody tr th").first.inner_text()
    page.locator("table tbody tr").first.get_by_role("button", name="must not").click()
    page.wait_for_load_state()
    player.look()
    page.wait_for_selector("#choose[data-drawn]")
    page.evaluate("document.getElementById('choose').scrollIntoView()")

    # The plan.
    player.go("/s/Valley/plan")
    player.press("Plan the season")
    player.look(at_work=True)
    player.wait("**/plans/*")
    plan = page.url
    for tab in [t for t in TABS if t]:
        player.go(plan.removeprefix(home) + f"/{tab}")
    with page.expect_download() as taken:
        page.get_by_text("Take the picture away").click()
    assert Path(taken.value.path()).read_bytes()[:4] == b"\x89PNG"
    page.goto(plan + "/map")
    frame = page.frame_locator("iframe.map")
    frame.locator("#weekname").wait_for(timeout=WAIT_MS)
    with page.expect_download() as taken:
        page.get_by_text("Take it away").click()
    folder = Path(opened.server.config.app.app.state.desk.shelf.home) / "Valley"
    made = folder / "plans" / plan.rsplit("/", 1)[1]
    assert Path(taken.value.path()).read_bytes() == (made / "map.html").read_bytes()
    assert (made / "sheets.pdf").read_bytes()[:4] == b"%PDF"

    # Weighed; more fleets and other plans, which take their time, are in tests/desk/test_weighed.py.
    player.go(plan.removeprefix(home) + "/worth")
    player.press("Weigh it")
    player.wait("**/worth")
    assert page.get_by_role("heading", name="What was left out, and why").count() == 1

    # The command on the same folder gives the same plan, to the digit.
    told = CliRunner().invoke(main, ["plan", str(folder), "--json"])
    assert told.exit_code == 0, told.output
    other = Path(json.loads(told.stdout)["folder"])
    mine, theirs = read_json(made / "plan.json"), read_json(other / "plan.json")
    assert mine["settings"]["villages"]["leave_out"]
    assert village not in [v["name"] for v in mine["villages"] if v["deploy"]]
    for key in mine:
        if key not in ("made_at", "solve"):
            assert mine[key] == theirs[key], key

    # A second survey: put in, chosen, planned, compared.
    player.go("/s/Valley/survey")
    page.set_input_files("#files", [files / "second_survey.gpkg"])
    player.press("Put into the season")
    page.goto(season + "/survey/fields?file=second_survey.gpkg")
    page.wait_for_selector("table.columns", timeout=WAIT_MS)
    player.press("Use this")
    player.wait("**/findings")
    player.go("/s/Valley/plan")
    player.press("Plan the season")
    player.wait("**/plans/*")
    player.go("/s/Valley/compare")
    page.select_option("#first", other.name)
    page.select_option("#second", page.locator("#second option").first.inner_text())
    player.press("Compare")
    player.wait("**/compared/*")
    second = max(p for p in (folder / "plans").iterdir())
    told = CliRunner().invoke(main, ["compare", str(other), str(second), "--quick", "--json"])
    kept_file = next((folder / ".desk" / "compared").glob("*/comparison.json"))
    assert read_json(kept_file)["all"] == json.loads(told.stdout)

    # The second survey is accepted into the history, and taken back once that is confirmed.
    player.go("/s/Valley/accepted")
    player.press("Accept the survey")
    player.wait("**/accepted?**")
    page.get_by_text("Take survey 1 back").click()
    player.look()
    player.press("Yes, take it back")
    player.look()
    told = json.loads(CliRunner().invoke(main, ["history", str(folder), "--json"]).stdout)
    assert [bool(s["undone_at"]) for s in told] == [True]

    # What if there were more barrels: beside the plan in force, which stays.
    before = sorted(p.name for p in (folder / "plans").iterdir())
    text = (folder / "season.toml").read_bytes()
    player.go("/s/Valley/what-if")
    page.fill("#name", "nine barrels")
    page.fill("#barrels", "9")
    player.press("Plan it and compare")
    player.wait("**/compared/*")
    assert sorted(p.name for p in (folder / "plans").iterdir()) == before
    assert (folder / "season.toml").read_bytes() == text
    what_if = next((folder / "what-if" / "nine barrels" / "plans").iterdir())
    assert read_json(what_if / "plan.json")["settings"]["fleet"]["barrels"] == 9
    player.go("/s/Valley/what-if")
    player.press("Plan it")  # the name is asked for first
    player.go("/s/Valley~nine barrels/choose")
    player.press("Draw the map")
    player.wait("**/choose")
    page.wait_for_selector("#choose[data-drawn]")
    player.look()
    player.go("/help")
    page.select_option("#language", "fr")
    page.wait_for_selector("html[lang=fr]")
    player.look()
    player.go("/")
    write_json(
        job_file(folder / WORK), {"id": "x", "kind": "plan", "began": "", "state": "failed", "problems": ["No."]}
    )
    player.go("/s/Valley/work")
    player.go("/s/none/survey")
    assert player.unseen() == []
    assert player.faults == {}
    assert player.elsewhere == []
    assert [t for t in player.trouble if "422" not in t and "404" not in t] == []
    context.close()


def test_real_smallholder_fields_from_an_empty_season_to_sheets_and_a_second_survey(chromium, opened, axe, tmp_path):
    """With nothing but what the desk guesses, in the browser; the commands on the same folder give the same."""
    if not BURKINA.exists():
        pytest.skip("the real fields are not beside the project")
    second = gpd.read_file(BURKINA)
    others = second["CropType1"].value_counts().index
    second.loc[:9, "CropType1"] = second.loc[:9, "CropType1"].map(lambda c: others[0] if c != others[0] else others[1])
    second.iloc[:-5].to_file(tmp_path / "second.gpkg")
    home = opened.address.split("/?")[0]
    context = chromium.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
    page = context.new_page()
    player = Player(page, home, axe)
    page.goto(opened.address)
    page.wait_for_url(home + "/")
    page.fill("#name", "Koumbia")
    page.select_option("#region", "west_africa")
    page.fill("#barrels", "4")
    player.press("Make the season")
    folder = Path(opened.server.config.app.app.state.desk.shelf.home) / "Koumbia"

    def planned(file):
        """Puts a survey in, takes the columns as guessed, plans; the plan's folder."""
        page.goto(home + "/s/Koumbia/survey")
        page.set_input_files("#files", [file])
        player.press("Put into the season")
        page.goto(f"{home}/s/Koumbia/survey/fields?file={file.name}")
        page.wait_for_selector("table.columns", timeout=WAIT_MS)
        assert page.input_value('[name="col.crop"]') == "CropType1"
        player.press("Use this")
        player.wait("**/findings")
        found = read_json(folder / WORK / CHECK_FILE)
        assert found["kept"] + found["set_aside"] == len(gpd.read_file(file))
        page.goto(home + "/s/Koumbia/plan")
        player.press("Plan the season")
        player.wait("**/plans/*")
        return folder / "plans" / page.url.rsplit("/", 1)[1]

    page.goto(home + "/s/Koumbia/settings/barrels")
    page.fill('[name="placement.seconds"]', "10")
    page.fill('[name="placement.gap"]', "0.3")
    player.press("Save")
    page.goto(home + "/s/Koumbia/settings/chances")
    page.fill('[name="stress.replays"]', "20")
    player.press("Save")
    first = planned(BURKINA)
    mine = read_json(first / "plan.json")
    assert mine["totals"]["char_kg"] > 0
    ours = json.loads(json.dumps(plan_season(folder, datetime(2027, 1, 4, 8, 0, tzinfo=UTC)).record))
    assert {k for k in mine if mine[k] != ours[k]} <= {"made_at", "solve"}

    # Its sheets are taken away as they were written.
    page.goto(page.url + "/files")
    with page.expect_download() as taken:
        page.locator("a[href$='/sheets.pdf?take=1']").click()
    sheets = Path(taken.value.path()).read_bytes()
    assert sheets[:4] == b"%PDF"
    assert sheets == (first / "sheets.pdf").read_bytes()

    # A second survey, planned and compared with the first.
    then = planned(tmp_path / "second.gpkg")
    page.goto(f"{home}/s/Koumbia/compare")
    page.select_option("#first", first.name)
    page.select_option("#second", then.name)
    player.press("Compare")
    player.wait("**/compared/*")
    kept = read_json(folder / ".desk" / "compared" / f"{first.name}__{then.name}" / "comparison.json")
    told = CliRunner().invoke(main, ["compare", str(first), str(then), "--quick", "--json"])
    assert kept["all"] == json.loads(told.stdout)
    assert {"changed", "gone"} <= set(kept["all"]["counts"])
    assert (player.faults, player.elsewhere, player.trouble) == ({}, [], [])
    context.close()
