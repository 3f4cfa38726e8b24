"""Who may ask the desk for anything: requests made by hand, each wrong in one way."""

import io
import zipfile

import pytest

from sourcing.desk import gate
from sourcing.desk.app import open_desk, routes
from sourcing.desk.jobs import current
from sourcing.desk.shelf import Shelf
from sourcing.errors import UsageError
from tests.desk.conftest import CHANGE, HOST, OWN, SECRET

SURVEY = "/s/valley/survey"


def test_the_whole_address_lets_in_and_leaves_a_cookie_that_scripts_and_other_sites_cannot_use(asked):
    answer = asked.get(f"/?key={SECRET}", headers={"host": HOST})
    cookie = answer.headers["set-cookie"]
    assert answer.status_code == 200
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert SECRET not in answer.text
    asked.cookies.clear()
    assert asked.get("/", headers=OWN).status_code == 200


@pytest.mark.parametrize("key", ["", "wrong", SECRET[:-1], SECRET + "x", "%00", "é"])
def test_a_wrong_secret_opens_nothing(asked, key):
    answer = asked.get(f"/?key={key}", headers={"host": HOST})
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize(
    "cookie", [None, "desk=", "desk=wrong", f"other={SECRET}", f"desk={SECRET}x", "desk=é".encode("latin-1")]
)
@pytest.mark.parametrize("path", ["/", SURVEY, "/s/valley/job.json", "/help", "/assets/desk.js"])
def test_no_secret_no_answer(asked, cookie, path):
    headers = {"host": HOST} if cookie is None else {"host": HOST, "cookie": cookie}
    assert asked.get(path, headers=headers).status_code == 403


def test_the_secret_is_compared_in_constant_time(asked, monkeypatch):
    compared = []
    monkeypatch.setattr(gate.secrets, "compare_digest", lambda a, b: compared.append((a, b)) or False)
    assert asked.get("/", headers=OWN).status_code == 403
    assert asked.get(f"/?key={SECRET}", headers={"host": HOST}).status_code == 403
    assert len(compared) == 2


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:4711", "127.0.0.1", "127.0.0.1:80", "localhost.evil:4711", ""]
)
def test_another_host_is_refused_so_that_no_name_can_be_bent_to_this_machine(asked, host):
    assert asked.get("/", headers={**OWN, "host": host}).status_code == 421


@pytest.mark.parametrize(
    "wrong",
    [
        {"origin": "http://evil.example"}, {"origin": "null"}, {"origin": "http://127.0.0.1:1"},
        {"origin": f"https://{HOST}"}, {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"}, {"origin": None, "sec-fetch-site": None},
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    "path", ["/new", "/s/valley/check", "/s/valley/files", "/s/valley/settings/barrels", "/language"]
)
def test_a_change_from_elsewhere_is_refused(asked, home, wrong, path):
    before = sorted(p.name for p in home.rglob("*"))
    headers = {k: v for k, v in {**CHANGE, **wrong}.items() if v is not None}
    assert asked.post(path, headers=headers, data={"name": "made"}).status_code == 403
    assert sorted(p.name for p in home.rglob("*")) == before


def test_every_change_goes_through_the_same_gate(asked):
    for route in routes():
        if "POST" in route.methods:
            path = route.path.format(
                season="valley", role="fields", page="barrels", plan="x", name="x", file="x", row="1"
            )
            assert asked.post(path, headers={**CHANGE, "origin": "http://evil.example"}).status_code == 403, path


def test_another_site_cannot_read_either(asked):
    assert asked.get(SURVEY, headers={**OWN, "sec-fetch-site": "cross-site"}).status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_do_nothing(asked, method):
    assert asked.request(method, SURVEY, headers=CHANGE).status_code in (403, 405)


def test_pages_allow_no_script_or_style_but_the_desk_s_own_and_nothing_from_elsewhere(asked):
    answer = asked.get("/", headers=OWN)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy.replace("http-equiv", "")
    assert "<script>" not in answer.text
    assert " onclick=" not in answer.text
    assert "style=" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/s/../survey", "/s/..%2f..%2foutside/survey", "/s/%2e%2e/survey",
        "/s/valley%2f..%2f../survey", "/s/notes.txt/survey",
        "/s/valley/plans/..", "/s/valley/plans/..%2f..%2f..", "/s/valley/plans/%2e%2e/files/outside.txt",
        "/s/valley/plans/x/files/..%2f..%2f..%2f..%2foutside.txt",
        "/s/valley/compared/..%2f..%2f..", "/assets/..%2fpage.js",
        "/assets/%2fetc%2fpasswd", "/s/valley/survey/..%2f..", "/s/valley/settings/..%2f", "/s/.desk/survey",
        "/s//survey",
    ],
)  # fmt: skip
def test_no_path_leaves_the_seasons(asked, path):
    answer = asked.get(path, headers=OWN)
    assert answer.status_code in (404, 421)
    assert "not for the browser" not in answer.text


@pytest.mark.parametrize(
    "file", ["../outside.csv", "/etc/passwd", "..\\outside.csv", "season.toml", "", "fields.csv/../../../outside.csv"]
)
def test_no_file_outside_the_season_can_be_chosen(asked, home, seen, file):
    for path in (f"{SURVEY}/villages", f"{SURVEY}/climate", f"{SURVEY}/fields/look"):
        before = seen()
        answer = asked.post(path, headers=CHANGE, data={"file": file, "seen": seen()})
        assert answer.status_code in (303, 404)
        assert seen() == before or file == ""
    assert current(Shelf(home).season("valley")).state == "none"


def test_a_season_file_written_in_the_browser_may_not_name_a_file_outside(asked, home, seen):
    text = (home / "valley" / "season.toml").read_text(encoding="utf-8")
    wicked = text.replace('file = "fields.csv"', 'file = "../../outside.csv"')
    answer = asked.post("/s/valley/file", headers=CHANGE, data={"body": wicked, "seen": seen()})
    assert answer.status_code == 422
    assert (home / "valley" / "season.toml").read_text(encoding="utf-8") == text


def test_a_link_that_leads_out_is_no_season_and_no_file(asked, home, tmp_path):
    (tmp_path / "else").mkdir()
    (tmp_path / "else" / "season.toml").write_text("", encoding="utf-8")
    (home / "linked").symlink_to(tmp_path / "else")
    (home / "valley" / "linked.csv").symlink_to(tmp_path / "outside.csv")
    assert asked.get("/s/linked/survey", headers=OWN).status_code == 404
    assert "linked.csv" not in asked.get(SURVEY, headers=OWN).text


def zipped(name, data, times=1):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for _ in range(times):
            archive.writestr(name, data)
    return stream.getvalue()


HOSTILE = {
    "pointer.tif": b'<VRTDataset rasterXSize="1"><SourceFilename>/etc/passwd</SourceFilename></VRTDataset>',
    "pointer.gpkg": b"<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer>",
    "entities.kml": b'<?xml version="1.0"?><!DOCTYPE k [<!ENTITY a SYSTEM "file:///etc/passwd">]><kml>&a;</kml>',
    "climbs.zip": zipped("../../climbed.csv", "x"),
    "blows_up.zip": zipped("big.csv", b"0" * (60 * 1024**2)),
    "empty.csv": b"",
    "program.py": b"print()",
    "page.html": b"<script>1</script>",
    "season.toml": b"",
    ".hidden": b"x",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_are_refused_and_leave_nothing(asked, home, name):
    before = sorted(p.name for p in home.rglob("*") if p.is_file())
    answer = asked.post("/s/valley/files", headers=CHANGE, files=[("files", (name, HOSTILE[name]))])
    assert answer.status_code == 422
    assert sorted(p.name for p in home.rglob("*") if p.is_file()) == before


@pytest.mark.parametrize(
    "name", ["../../climbed.csv", "..\\..\\climbed.csv", "/climbed.csv", "C:\\x\\climbed.csv", "a/b/climbed.csv"]
)
def test_only_the_last_part_of_a_name_is_taken(asked, home, tmp_path, name):
    answer = asked.post("/s/valley/files", headers=CHANGE, files=[("files", (name, b"a,b\n1,2\n"))])
    assert answer.status_code == 303
    assert (home / "valley" / "climbed.csv").read_bytes() == b"a,b\n1,2\n"
    assert not (tmp_path / "climbed.csv").exists()
    assert not (home / "climbed.csv").exists()


def test_a_file_that_is_there_is_never_overwritten(asked, home):
    before = (home / "valley" / "fields.csv").read_bytes()
    asked.post("/s/valley/files", headers=CHANGE, files=[("files", ("fields.csv", b"crop\nmaize\n"))])
    assert (home / "valley" / "fields.csv").read_bytes() == before
    assert (home / "valley" / "fields (2).csv").read_bytes() == b"crop\nmaize\n"


def test_too_much_is_refused_by_what_is_said_and_by_what_comes(asked, home, monkeypatch):
    said = {
        **CHANGE,
        "content-length": str(gate.MOST_UPLOAD_BYTES + 1),
        "content-type": "multipart/form-data; boundary=x",
    }
    assert asked.post("/s/valley/files", headers=said, content=b"x").status_code == 413
    monkeypatch.setattr(gate, "MOST_UPLOAD_BYTES", 5000)

    def pieces():
        yield b'--x\r\nContent-Disposition: form-data; name="files"; filename="big.csv"\r\n\r\n'
        for _ in range(100):
            yield b"0" * 1000

    chunked = {**CHANGE, "content-type": "multipart/form-data; boundary=x"}
    assert asked.post("/s/valley/files", headers=chunked, content=pieces()).status_code == 413
    assert not list(home.rglob("big*"))


def test_too_many_files_and_fields_are_refused(asked):
    many = [("files", (f"{i}.csv", b"a\n1\n")) for i in range(25)]
    assert asked.post("/s/valley/files", headers=CHANGE, files=many).status_code == 400
    fields = {f"f{i}": "1" for i in range(7000)}
    assert asked.post("/s/valley/settings/barrels", headers=CHANGE, data=fields).status_code in (400, 413)


NASTY = "<img src=x onerror=alert(1)>\"'{{7*7}}"


def test_names_are_shown_as_they_are_and_never_run(asked, home, seen):
    text = (
        (home / "valley" / "season.toml")
        .read_text(encoding="utf-8")
        .replace('# name = "Season"', f"name = '''{NASTY}'''")
    )
    (home / "valley" / "season.toml").write_text(text, encoding="utf-8")
    for path in ("/", "/s/valley/settings/season", "/s/valley/file"):
        page = asked.get(path, headers=OWN).text
        assert "<img" not in page
        assert "onerror=alert(1)&gt;" in page
        assert "{{7*7}}" in page


@pytest.mark.parametrize("back", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:1"])
def test_no_form_leads_away_from_the_desk(asked, back):
    answer = asked.post("/language", headers=CHANGE, data={"language": "fr", "back": back})
    assert answer.headers["location"] == "/"


def test_it_listens_on_this_machine_alone_unless_asked(home):
    opened = open_desk(home)
    try:
        assert opened.listener.getsockname()[0] == "127.0.0.1"
        assert opened.others == ()
        assert len(opened.address.split("key=")[1]) >= 40
    finally:
        opened.listener.close()
    with pytest.raises(UsageError):
        open_desk(home / "not there")
