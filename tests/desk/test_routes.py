"""Every address and form of the desk under hostile words: no fault, no file outside, no tag out of a name."""

import re
import shutil
from datetime import UTC, datetime
from urllib.parse import quote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from sourcing.desk import jobs, work
from sourcing.desk.app import guarded_pages, routes
from sourcing.desk.front import Desk
from sourcing.desk.jobs import current, job_file
from sourcing.desk.planpages import TABS
from sourcing.desk.seasonfile import changed
from sourcing.desk.shelf import Shelf
from sourcing.desk.store import digest
from sourcing.intake.keep import named_files
from sourcing.outputs.write import write_plan
from sourcing.plan import plan_season
from sourcing.settings import SEASON_FILE, read_settings
from tests.desk.conftest import CHANGE, HOST, OWN, SECRET, made_home

OUTSIDE = "not for the browser"
TAG = "<img src=x onerror=alert(1)>"
AT = datetime(2027, 1, 4, 8, tzinfo=UTC)
FIRST, SECOND = "2027-01-04-080000", "2027-01-05-080000"
GETS = [r.path for r in routes() if "GET" in r.methods]
POSTS = [r.path for r in routes() if "POST" in r.methods]
HOSTILE = st.one_of(
    st.sampled_from([
        "..", ".", "", "%2e%2e", "../..", "..\\..", "/etc/passwd", "../outside.txt", "../../outside.csv", TAG,
        f"'\">{TAG}", "{{7*7}}", "\x00", "a\r\nset-cookie: x=1", "x" * 400, "-1", "1e999", "nan", "१२", "1" * 400,
        "\u202e", "2027-W99", "9999-12-31", "0000-00-00", "=1+1", "[]", "{}", "null", "true",
    ]),
    st.text(max_size=12),
)  # fmt: skip
"""Words that someone who means harm, or a cat on the keyboard, would send."""
RIGHT = {
    "season": ["valley", "valley~more"], "role": ["fields", "villages", "paths", "elevation"], "row": ["3", "1"],
    "page": ["barrels", "land", "villages", "season"], "plan": [FIRST, SECOND], "tab": [t for t in TABS if t],
    "name": [f"{FIRST}__{SECOND}", "desk.js"],
    "file": ["map.html", "sheets.pdf", "comparison.xlsx", "plan.json", "both_plans.html"],
}  # fmt: skip
"""What is really there, by the part of an address it stands for."""


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """A home whose season has been checked, drawn, planned, compared, and asked what if; and a desk on it."""
    folder = tmp_path_factory.mktemp("routes")
    home = made_home(folder)
    season = Shelf(home).season("valley")
    options = {("stress", "replays"): 20, ("fleet", "barrels"): 2, ("placement", "seconds"): 5}
    season.file.write_text(changed(season.file.read_text(encoding="utf-8"), options), encoding="utf-8")
    made, _ = write_plan(plan_season(season.folder, AT), season.folder, AT)
    assert made.name == FIRST
    shutil.copytree(made, made.with_name(SECOND))
    season.work.mkdir()
    work._compare(season.folder, {"a": f"plans/{FIRST}", "b": f"plans/{SECOND}", "quick": True}, str)
    work._look(season.folder, {"file": "fields.csv"}, str)
    work._check(season.folder, {}, str)
    work._land(season.folder, {}, str)
    app = guarded_pages(Desk(Shelf(home)), SECRET, frozenset({HOST}))
    client = TestClient(app, f"http://{HOST}", raise_server_exceptions=False, follow_redirects=False)
    with pytest.MonkeyPatch.context() as patch, client:
        patch.setattr(jobs, "_spawn", lambda *_: None)
        client.post("/s/valley/what-if", headers=CHANGE, data={"name": "more", "act": "more"})
        yield home, client


@st.composite
def addresses(draw, paths):
    """An address that is there, or with one of its parts hostile."""
    path = draw(st.sampled_from(paths))
    parts = re.findall(r"{(\w+)}", path)
    wrong = draw(st.sampled_from(["", "", *parts]))
    for part in parts:
        word = draw(HOSTILE if part == wrong else st.sampled_from(RIGHT[part]))
        path = path.replace("{" + part + "}", quote(word, safe=""))
    return path


def sound(answer):
    """No fault of the desk's, nothing from outside, no tag out of a name, no header out of a word."""
    assert answer.status_code < 500, answer.text[:2000]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "content-security-policy" in answer.headers
    assert "x=1" not in answer.headers.get("set-cookie", "")
    if answer.headers.get("content-type", "").startswith("text/html"):
        assert TAG not in answer.text
    assert OUTSIDE.encode() not in answer.content


@settings(deadline=None, max_examples=150)
@given(addresses(GETS), st.dictionaries(st.sampled_from([
    "page", "q", "grade", "what", "file", "layer", "take", "table", "said", "first", "survey", "undo", "week",
    "village", "place", "crop",
]), HOSTILE, max_size=4), st.sampled_from(["GET", "GET", "HEAD"]))  # fmt: skip
def test_no_address_shows_what_it_must_not(full, path, query, method):
    _, asked = full
    sound(asked.request(method, path, headers=OWN, params=query))


@pytest.fixture(scope="module")
def names(full):
    """The names of all fields of the desk's forms."""
    _, asked = full
    found = set()
    for path in [p for p in GETS if "." not in p and "assets" not in p]:
        for page in RIGHT["page"] if "{page}" in path else [""]:
            for role in RIGHT["role"] if "{role}" in path else [""]:
                at = path.format(**{k: v[0] for k, v in RIGHT.items()} | {"page": page, "role": role})
                found |= set(re.findall(r'\bname="([^"]+)"', asked.get(at, headers=OWN).text))
    assert {"seen", "barrels", "fleet.barrels", "col.crop", "layers.no_go#", "cell:crop"} <= found
    return sorted(found)


def beyond(home):
    """Every file that lies in no season, with what is in it."""
    in_season = {p.parent for p in home.rglob(SEASON_FILE)}
    return {p: p.read_bytes() for p in home.parent.rglob("*") if p.is_file() and in_season.isdisjoint(p.parents)}


def set_back(home, text):
    """The home as it was before a form was sent."""
    season = Shelf(home).season("valley")
    season.file.write_bytes(text)
    job_file(season.work).unlink(missing_ok=True)
    for other in Shelf(home).seasons().values():
        job_file(other.work).unlink(missing_ok=True)
        if other.key not in RIGHT["season"]:
            shutil.rmtree(other.folder)


@settings(deadline=None, max_examples=200)
@given(st.data(), addresses(POSTS), st.booleans())
def test_no_form_reaches_beyond_the_season(full, names, data, path, seen):
    home, asked = full
    season = Shelf(home).season("valley")
    text, outside = season.file.read_bytes(), beyond(home)
    form = data.draw(st.dictionaries(st.sampled_from(names), HOSTILE, max_size=8))
    if seen:
        form["seen"] = digest(season.file)
    try:
        sound(asked.post(path, headers=CHANGE, data=form))
        assert beyond(home) == outside
        assert seen or season.file.read_bytes() == text  # what was not seen is not changed
        for one in Shelf(home).seasons().values():
            job = current(one)
            words = [] if job.kind == "accept" else [w for w in job.args.values() if isinstance(w, str)]
            for word in (*words, *named_files(read_settings(one.folder)).values()):
                assert (one.folder / word).resolve().is_relative_to(home.resolve())
    finally:
        set_back(home, text)


@settings(deadline=None, max_examples=60)
@given(addresses(POSTS), st.binary(max_size=200), st.sampled_from([
    "", "text/plain", "application/json", "application/x-www-form-urlencoded", "multipart/form-data",
    "multipart/form-data; boundary=x", "multipart/form-data; boundary=", "text/html; charset=\x00",
]))  # fmt: skip
def test_what_is_no_form_is_answered_calmly(full, path, body, kind):
    home, asked = full
    text, outside = Shelf(home).season("valley").file.read_bytes(), beyond(home)
    try:
        sound(asked.post(path, headers={**CHANGE, "content-type": kind}, content=body))
        assert beyond(home) == outside
    finally:
        set_back(home, text)


@settings(deadline=None, max_examples=60)
@given(st.one_of(HOSTILE, HOSTILE.map(lambda word: f"{word}.csv"), HOSTILE.map(lambda word: f"../{word}.zip")),
       st.one_of(st.binary(max_size=200), st.just(b"a,b\n1,2\n")))  # fmt: skip
def test_no_file_put_in_lands_anywhere_else(full, name, data):
    home, asked = full
    season = Shelf(home).season("valley")
    outside, inside = beyond(home), {p for p in season.folder.rglob("*") if p.is_file()}
    quoted = name.replace("\\", "\\\\").replace('"', '\\"').replace("\r", "").replace("\n", "")
    head = f'--x\r\ncontent-disposition: form-data; name="files"; filename="{quoted}"\r\n\r\n'
    body = head.encode("utf-8", "replace") + data + b"\r\n--x--\r\n"
    kind = {"content-type": "multipart/form-data; boundary=x"}
    answer = asked.post("/s/valley/files", headers={**CHANGE, **kind}, content=body)
    sound(answer)
    made = {p for p in season.folder.rglob("*") if p.is_file()} - inside
    assert beyond(home) == outside
    assert len(made) <= 1
    for path in made:
        assert path.parent == season.folder
        assert not path.name.startswith(".")
        assert path.name.isprintable()
        path.unlink()
