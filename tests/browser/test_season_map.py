"""The season map in a real browser with the network off, checked against the plan's tables."""

import time

import pytest

from sourcing.outputs.maps import PALETTE, write_map
from sourcing.plan import plan_season
from sourcing.settings import MapSettings
from sourcing.words import load_words
from tests.landscape import landscape
from tests.unit.test_main_job import BURKINA, WHEN, season

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def plan():
    return landscape()


@pytest.fixture(scope="module")
def path(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(plan, path)
    return path


def week_of(plan, week):
    """What the plan's table says stands where in a week: site to (barrels, busy in per cent)."""
    rows = plan.site_weeks[plan.site_weeks["week"] == week]
    return {r.site_id: (r.barrels, round(100 * r.busy)) for r in rows.itertuples()}


def week_shown(opened):
    """What the page's list says."""
    opened.page.click("#tab-sites")
    rows = opened.js("""[...document.querySelectorAll('#sitelist tr[data-site]')].map(
        (r) => [r.dataset.site, +r.children[1].textContent, parseInt(r.children[2].textContent)])""")
    return {site: (barrels, busy) for site, barrels, busy in rows}


def season_shown(opened):
    """What the page's list says of the whole season: site to (weeks of several barrels busy, most barrels)."""
    opened.page.click("#tab-sites")
    rows = opened.js("""[...document.querySelectorAll('#sitelist tr[data-site]')].map(
        (r) => [r.dataset.site, +r.children[1].textContent, +r.children[2].textContent])""")
    return {site: (several, most) for site, several, most in rows}


def close_to(plan, week):
    return {site: (b, pytest.approx(busy, abs=1)) for site, (b, busy) in week_of(plan, week).items()}


def busiest(plan):
    return int(plan.site_weeks.groupby("week")["barrels"].sum().idxmax())


def test_only_the_page_itself_is_asked_for(path, opener):
    opened = opener(path)
    opened.page.click("#after")
    opened.page.click("#opentable")
    assert opened.asked == [path.as_uri()]
    assert opened.trouble == []


def test_slider_by_keyboard(plan, path, opener):
    opened = opener(path)
    opened.page.focus("#week")
    for _ in range(3):
        opened.page.keyboard.press("ArrowRight")
    assert week_shown(opened) == close_to(plan, 2)
    assert plan.calendar.label(2) in opened.js("document.getElementById('week').getAttribute('aria-valuetext')")
    opened.page.focus("#week")
    opened.page.keyboard.press("End")
    assert week_shown(opened) == close_to(plan, plan.calendar.count - 1)
    opened.page.focus("#week")
    opened.page.keyboard.press("Home")
    assert opened.js("document.getElementById('week').getAttribute('aria-valuetext')") == "Whole season"


def test_the_page_opens_with_the_sites_that_keep_several_barrels_busy(plan, path, opener):
    opened = opener(path)
    table = plan.site_table
    most = plan.site_weeks.groupby("site_id")["barrels"].max()
    assert season_shown(opened) == {s: (table["several_weeks"][s], most[s]) for s in table.index}
    listed = list(season_shown(opened))
    assert listed == list(table.sort_values(["several_weeks", "barrel_weeks"], ascending=False, kind="stable").index)
    keep = int((table["several_weeks"] > 0).sum())
    assert opened.text("#days").startswith(f"{keep} of {len(table)} sites keep 3 or more barrels busy")
    best = table.loc[listed[0]]
    assert f"{best['name']} ({best['several_weeks']} weeks)" in opened.text("#sofar")
    weekly = plan.site_weeks.groupby("week")["barrels"].sum()
    assert int(opened.text("#now-most")) == weekly.max()
    assert int(opened.text("#now-weeks")) == weekly.sum()
    assert float(opened.text("#now-residue").replace(",", "")) == pytest.approx(
        plan.site_weeks["residue_kg"].sum() / 1000, abs=0.51
    )
    opened.page.click("#after")
    assert week_shown(opened) == close_to(plan, 0)
    opened.page.click("#allweeks")
    assert season_shown(opened)[listed[0]][0] == best["several_weeks"]
    opened.until("location.hash.includes('week=season')")


def test_during_the_season_the_page_opens_with_this_week(plan, path, opener):
    day = plan.calendar.monday(busiest(plan))
    opened = opener(path, now=f"{day}T09:00:00Z")
    assert week_shown(opened) == close_to(plan, busiest(plan))


def test_slider_is_among_the_first_stops_of_the_tab_key(path, opener):
    opened = opener(path)
    stops = []
    for _ in range(5):
        opened.page.keyboard.press("Tab")
        stops.append(opened.js("document.activeElement.id"))
    assert "week" in stops


def drag(opened, plan, week):
    box = opened.page.locator("#week").bounding_box()
    thumb = 26
    return (
        box["x"] + thumb / 2 + (box["width"] - thumb) * (week + 1) / plan.calendar.count,
        box["y"] + box["height"] / 2,
    )  # fmt: skip


def test_slider_by_mouse(plan, path, opener):
    opened = opener(path)
    week = busiest(plan)
    opened.page.mouse.move(*drag(opened, plan, -1))
    opened.page.mouse.down()
    opened.page.mouse.move(*drag(opened, plan, week), steps=4)
    opened.page.mouse.up()
    assert week_shown(opened) == close_to(plan, week)
    want = plan.site_weeks[plan.site_weeks["week"] == week]
    assert int(opened.text("#now-standing")) == want["barrels"].sum()
    assert int(opened.text("#now-busy")) == round((want["barrels"] * want["busy"]).sum())
    assert int(opened.text("#now-places")) == len(want)
    assert float(opened.text("#now-residue")) == pytest.approx(want["residue_kg"].sum() / 1000, abs=0.06)
    assert opened.text("#weekname").startswith(plan.calendar.label(week))


def test_slider_by_touch_on_a_phone(plan, path, opener):
    opened = opener(path, size=(390, 844), has_touch=True, is_mobile=True, device_scale_factor=2)
    week = busiest(plan)
    opened.page.touchscreen.tap(*drag(opened, plan, week))
    assert week_shown(opened) == close_to(plan, week)
    sizes = opened.js("""['before','play','after'].map((id) => document.getElementById(id).getBoundingClientRect())
        .map((r) => Math.min(r.width, r.height))""")
    assert min(sizes) >= 48
    assert opened.js("document.documentElement.scrollWidth <= innerWidth")


def test_play_runs_to_the_end_and_stops(plan, path, opener):
    last = plan.calendar.count - 1
    opened = opener(path, f"#week={plan.calendar.label(last - 1)}")
    opened.page.click("#play")
    opened.until(f"document.getElementById('week').value === '{last}'")
    assert opened.js("document.getElementById('play').getAttribute('aria-pressed')") == "false"


DOTS = """([lon, lat]) => {
    const map = window.map_season, point = map.latLngToContainerPoint([lat, lon]);
    const box = map.getContainer().getBoundingClientRect();
    const canvas = document.querySelectorAll('.leaflet-overlay-pane canvas')[1];
    const at = canvas.getBoundingClientRect(), ratio = canvas.width / at.width;
    const x = Math.round((point.x + box.x - at.x) * ratio), y = Math.round((point.y + box.y - at.y) * ratio);
    return [...canvas.getContext('2d').getImageData(x - 4, y - 4, 9, 9).data];
}"""
"""The dots of the canvas of fields round a place, as red, green, blue, opacity by turns."""


def test_fields_are_coloured_by_what_waits_is_carried_or_lost(plan, path, opener):
    """The dot at a point inside each of many fields has the colour of the state that the plan's tables give it."""
    week = busiest(plan)
    opened = opener(path, f"#week={plan.calendar.label(week)}", size=(1700, 1300))
    table, frame = plan.field_table, plan.fields.frame
    plain = {name: tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for name, c in PALETTE.items()}
    tried = dict.fromkeys(PALETTE, 0)
    for field_id, row in table.iterrows():
        carried = plan.carries[plan.carries["field_id"] == field_id]
        gone = carried.loc[carried["week"] <= week, "mass_kg"].sum()
        if (carried["week"] == week).any():
            state = "now"
        elif week < row["ready_week"]:
            state = "nothing"
        elif gone >= row["free_kg"] / 2:
            state = "carried"
        elif week > row["clear_week"]:
            state = "lost"
        else:
            state = "soon" if row["clear_week"] - week < 2 else "waiting"
        if tried[state] >= 12 or row["area_ha"] < 0.15:
            continue
        inside = frame.geometry[field_id].representative_point()
        dots = opened.js(DOTS, [inside.x, inside.y])
        colours = {tuple(dots[i : i + 3]) for i in range(0, len(dots), 4) if dots[i + 3] == 255}
        near = [c for c in colours if max(abs(a - b) for a, b in zip(c, plain[state], strict=True)) <= 3]
        assert near, f"{field_id} should be '{state}' {plain[state]} and shows {colours}"
        tried[state] += 1
    assert all(tried[s] >= 1 for s in PALETTE), tried


def test_ranking_puts_the_village_with_most_several_weeks_first(plan, path, opener):
    opened = opener(path)
    got = opened.js("""[...document.querySelectorAll('#ranks li')].map(
        (li) => [li.dataset.id, li.querySelector('p').textContent])""")
    table = plan.village_table
    several = [table["several_weeks"][v] for v, _ in got]
    assert several == sorted(several, reverse=True)
    assert [v for v, _ in got] == list(table.index)
    first = table.iloc[0]
    assert f"{first['several_weeks']} weeks with 3 or more barrels busy" in got[0][1]
    assert f"{first['residue_kg'] / 1000:.1f} t charred" in got[0][1]


def test_choosing_a_village_leaves_its_sites_only(plan, path, opener):
    week = busiest(plan)
    opened = opener(path, f"#week={plan.calendar.label(week)}")
    village = plan.site_table.loc[list(week_of(plan, week)), "village"].iloc[0]
    opened.page.select_option("#village", label=plan.village_table["name"][village])
    mine = set(plan.site_table.index[plan.site_table["village"] == village])
    assert set(week_shown(opened)) == mine & set(week_of(plan, week))
    opened.until(f"location.hash.includes('village={village}')")


def test_search_finds_a_site_and_shows_its_ways(plan, path, opener):
    opened = opener(path)
    site = plan.carries.groupby("site_id")["mass_kg"].sum().idxmax()
    opened.page.fill("#search", plan.site_table["name"][site].upper())
    opened.page.click("#found button")
    opened.until("!document.getElementById('detail').hidden")
    rows = opened.js("""[...document.querySelectorAll('#ways tbody tr')].map(
        (r) => [...r.children].map((c) => c.textContent))""")
    want = plan.routes[plan.routes["site_id"] == site].set_index("field_id")
    assert len(rows) == min(60, len(plan.carries[plan.carries["site_id"] == site]))
    for field_id, _, _, metres, minutes in rows:
        assert float(metres.replace(",", "")) == pytest.approx(want["distance_m"][field_id], abs=0.51)
        assert float(minutes) == pytest.approx(max(1, want["minutes"][field_id]), abs=0.51)


def test_a_click_on_a_site_and_on_a_field_tells_about_it(plan, path, opener):
    week = busiest(plan)
    site = plan.site_table["barrel_weeks"].idxmax()
    lon, lat = plan.site_table.loc[site, ["lon", "lat"]]
    opened = opener(path, f"#week={plan.calendar.label(week)}&at=16,{lat},{lon}")
    box = opened.page.locator(".folium-map").bounding_box()
    opened.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert plan.site_table["name"][site] in opened.text("#detail")
    field_id = plan.field_table["area_ha"].idxmax()
    inside = plan.fields.frame.geometry[field_id].representative_point()
    opened = opener(path, f"#at=17,{inside.y},{inside.x}")
    opened.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert str(field_id) in opened.text("#detail")


def test_the_address_brings_back_the_same_view(plan, path, opener):
    opened = opener(path)
    opened.page.click("#after")
    opened.page.select_option("#crop", index=2)
    opened.page.click("#large")
    opened.until("location.hash.includes('view=large')")
    address = opened.js("location.hash")
    again = opener(path, address)
    again.page.click("#after")
    again.page.click("#before")
    time.sleep(0.3)
    assert again.js("location.hash") == address
    assert week_shown(again) == week_shown(opened)
    assert again.js("document.body.classList.contains('large')")


def test_the_table_holds_every_site_and_week(plan, path, opener):
    opened = opener(path)
    opened.page.click("#opentable")
    cells = opened.js("""Object.fromEntries([...document.querySelectorAll('#tablebody tbody tr')].map(
        (r) => [r.dataset.site,
            [...r.querySelectorAll('td')].map((c) => +(c.querySelector('b')?.textContent || 0))]))""")
    want = {s: [0] * plan.calendar.count for s in plan.site_table.index}
    for r in plan.site_weeks.itertuples():
        want[r.site_id][r.week] = r.barrels
    assert cells == want


def test_a_hostile_name_does_nothing(opener, tmp_path):
    names = ["<script>document.title='taken'</script>", "<img src=x onerror=1>", "a"]
    plan = landscape(n_fields=80, n_villages=3, names=names)
    write_map(plan, tmp_path / "m.html")
    opened = opener(tmp_path / "m.html")
    opened.page.fill("#search", "<")
    opened.page.click("#found button")
    assert opened.js("document.title").startswith("Dry season")
    assert opened.js("document.querySelectorAll('#panel img, #panel script').length") == 0
    assert opened.asked == [(tmp_path / "m.html").as_uri()]


@pytest.mark.parametrize("fields", [1, 20])
def test_small_seasons_do_not_look_broken(fields, opener, tmp_path):
    plan = landscape(n_fields=fields, n_villages=1, odd=False, seed=5)
    plan.survey.paths = plan.survey.barriers = plan.survey.workshop = None
    plan.survey.no_go = ()
    write_map(plan, tmp_path / "m.html")
    opened = opener(tmp_path / "m.html")
    assert opened.trouble == []
    assert opened.js("document.getElementById('trouble').hidden")


def test_printing_puts_the_map_on_one_canvas_and_takes_it_away_again(path, opener):
    opened = opener(path)
    assert len(opened.page.pdf(format="A4", print_background=True)) > 20_000
    opened.js("window.dispatchEvent(new Event('beforeprint'))")
    colours = opened.js("""() => {
        const paper = document.getElementById('paper'), seen = new Set();
        const dots = paper.getContext('2d').getImageData(0, 0, paper.width, paper.height).data;
        for (let i = 0; i < dots.length; i += 400) seen.add(dots.slice(i, i + 4).join());
        return seen.size;
    }""")
    assert colours > 10
    opened.js("window.dispatchEvent(new Event('afterprint'))")
    assert opened.js("document.getElementById('paper') === null && !document.body.classList.contains('printing')")


def test_online_tiles_are_asked_for_only_when_ticked(opener, tmp_path):
    plan = landscape(n_fields=40, n_villages=2)
    tiles = MapSettings(tiles_url="https://{s}.tiles.example/{z}/{x}/{y}.png", tiles_credit="Example <b>tiles</b>")
    plan.settings = plan.settings.model_copy(update={"map": tiles})
    write_map(plan, tmp_path / "m.html")
    opened = opener(tmp_path / "m.html")
    opened.page.click("#after")
    assert opened.asked == [(tmp_path / "m.html").as_uri()]
    opened.page.check("#tiles")
    opened.until("document.querySelectorAll('.leaflet-tile').length > 0")
    assert "Example <b>tiles</b>" in opened.text("#legend")
    opened.page.wait_for_timeout(300)
    hosts = {url.split("/")[2].split(".", 1)[1] for url in opened.asked[1:]}
    assert hosts == {"tiles.example"}


def test_real_smallholder_fields_week_by_week(opener, tmp_path):
    """One hundred scattered fields with no paths: each week's list is that of plan.json, and nothing is broken."""
    real = plan_season(season(tmp_path, BURKINA, "bf_koumbia_jecam_100.gpkg"), WHEN)
    write_map(real, tmp_path / "m.html")
    opened = opener(tmp_path / "m.html")
    for week in range(0, real.calendar.count, 3):
        opened.js(
            "(w) => { const s = document.getElementById('week'); s.value = w; s.dispatchEvent(new Event('input')); }",
            week,
        )
        want = {s["id"]: s["barrels_by_week"][week] for s in real.record["sites"] if s["barrels_by_week"][week]}
        assert {site: barrels for site, (barrels, _) in week_shown(opened).items()} == want
    assert "straight lines" in opened.text("#facts")
    assert opened.trouble == []
    assert opened.asked == [(tmp_path / "m.html").as_uri()]


@pytest.mark.parametrize("language", ["bn", "hi", "fr"])
def test_another_language_from_end_to_end(language, opener, axe, tmp_path):
    plan = landscape(n_fields=60, n_villages=2, language=language, names=["पिंपळगाव", "Tielba"])
    write_map(plan, tmp_path / "m.html")
    opened = opener(tmp_path / "m.html")
    words = load_words(language)
    assert opened.text("#tab-sites") == words("site.title_season")
    assert words("week.season") in opened.text("#weekname")
    opened.page.click("#after")
    assert opened.text("#days") == words.week_days(plan.calendar, 0)
    assert opened.text("#tab-sites") == words("site.title")
    opened.page.fill("#search", "पिंपळ")
    assert "पिंपळगाव" in opened.text("#found")
    assert opened.js(
        "[...document.fonts].some((f) => f.family.includes('Letters in this page') && f.status === 'loaded')"
    )
    assert [url for url in opened.asked[1:] if not url.startswith("data:")] == []
    assert opened.trouble == []
    opened.js(axe)
    assert opened.js(VIOLATIONS) == []


VIOLATIONS = """axe.run(document).then(
    (r) => r.violations.map((v) => [v.id, v.nodes.slice(0, 5).map((n) => n.target.join())]))"""


@pytest.mark.parametrize("size", [(1280, 800), (390, 844), (1920, 1080)])
@pytest.mark.parametrize("address", ["", "#view=large", "#site=s000"])
def test_axe_finds_nothing(path, opener, axe, size, address):
    opened = opener(path, address, size=size)
    if not address:
        opened.page.click("#tab-sites")
    opened.js(axe)
    assert opened.js(VIOLATIONS) == []
    if size[0] == 1280:
        opened.page.click("#opentable")
        assert opened.js(VIOLATIONS) == []
