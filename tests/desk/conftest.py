"""A desk on a made-up season, asked without a network."""

import pytest
from starlette.testclient import TestClient

from sourcing.desk.app import guarded_pages
from sourcing.desk.front import Desk
from sourcing.desk.shelf import Shelf
from sourcing.options import season_text

SECRET = "a-secret-for-tests-only"
HOST = "127.0.0.1:4711"
OWN = {"host": HOST, "cookie": f"desk={SECRET}"}
CHANGE = {**OWN, "origin": f"http://{HOST}", "sec-fetch-site": "same-origin"}

FIELDS = """\
field_id,village,crop,yield_t_ha,harvest_start,harvest_end,wkt
a,Ndizi,maize,2,2027-05-03,2027-05-20,"POLYGON ((30 -15, 30.002 -15, 30.002 -15.002, 30 -15.002, 30 -15))"
b,Ndizi,cotton,1.2,2027-06-07,2027-06-20,"POLYGON ((30.003 -15, 30.005 -15, 30.005 -15.002, 30.003 -15.002, 30.003 -15))"
c,Kwale,mealis,1.5,2027-05-03,2027-05-20,"POLYGON ((30.006 -15, 30.008 -15, 30.008 -15.002, 30.006 -15.002, 30.006 -15))"
"""


@pytest.fixture
def home(tmp_path):
    """A folder with one season, `valley`, and with things beside and above it that nobody may see."""
    home = tmp_path / "home"
    season = home / "valley"
    season.mkdir(parents=True)
    text = season_text().replace('file = "fields.gpkg"', 'file = "fields.csv"')
    (season / "season.toml").write_text(text, encoding="utf-8")
    (season / "fields.csv").write_text(FIELDS, encoding="utf-8")
    (tmp_path / "outside.txt").write_text("not for the browser", encoding="utf-8")
    (tmp_path / "outside.csv").write_text("not for the browser", encoding="utf-8")
    (home / "notes.txt").write_text("not a season", encoding="utf-8")
    return home


@pytest.fixture
def asked(home):
    """A client that lets nothing be added to what a test sends."""
    app = guarded_pages(Desk(Shelf(home)), SECRET, frozenset({HOST}))
    with TestClient(app, base_url=f"http://{HOST}", follow_redirects=False) as client:
        yield client


@pytest.fixture
def seen(home):
    """The hash of the season file as a page would carry it."""
    from sourcing.desk.store import digest

    return lambda: digest(home / "valley" / "season.toml")
