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


def _field(name, village, crop, harvest, lon):
    ring = ", ".join(f"{lon + x} {-15 - y}" for x, y in ((0, 0), (0.002, 0), (0.002, 0.002), (0, 0.002), (0, 0)))
    return f'{name},{village},{crop},1.5,{harvest},"POLYGON (({ring}))"'


FIELDS = "\n".join(
    [
        "field_id,village,crop,yield_t_ha,harvest_end,wkt",
        _field("a", "Ndizi", "maize", "2027-05-20", 30.0),
        _field("b", "Ndizi", "cotton", "2027-06-20", 30.003),
        _field("c", "Kwale", "mealis", "2027-05-20", 30.006),
        "",
    ]
)


def made_home(folder):
    """A folder with one season, `valley`, and with things beside and above it that nobody may see."""
    home = folder / "home"
    season = home / "valley"
    season.mkdir(parents=True)
    text = season_text().replace('file = "fields.gpkg"', 'file = "fields.csv"')
    (season / "season.toml").write_text(text, encoding="utf-8")
    (season / "fields.csv").write_text(FIELDS, encoding="utf-8")
    (folder / "outside.txt").write_text("not for the browser", encoding="utf-8")
    (folder / "outside.csv").write_text("not for the browser", encoding="utf-8")
    (home / "notes.txt").write_text("not a season", encoding="utf-8")
    return home


@pytest.fixture
def home(tmp_path):
    """See :func:`made_home`."""
    return made_home(tmp_path)


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
