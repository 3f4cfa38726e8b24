"""The network drawn and told on its own."""

import matplotlib.image
import pytest

from sourcing.carrying.netdraw import draw_network, network_facts
from sourcing.carrying.sites import candidate_sites
from sourcing.errors import OutputError
from sourcing.network.paths import build_network
from tests.walks import VALUES, fields, layer, lines, season, square, supply, survey


@pytest.fixture
def drawn():
    of = fields([square(0, 30), square(400, 600)], ["low", "high"])
    ways = lines("-500 0, 500 0", "503 0, 700 0", "300 560, 500 560", "0 0, 0 200")
    asked = survey(
        of, paths=layer(ways, way=["track", "track", "path", ""], closed=["", "", "", "06-15..09-30"]),
        barriers=layer(lines("-500 300, 700 300"), "barriers"),
    )  # fmt: skip
    net = build_network(asked, of, season(), VALUES)
    return asked, of, net, candidate_sites(asked, of, supply(of), net, season(), VALUES)


def test_a_picture_with_everything_on_it(drawn, tmp_path):
    asked, of, net, sites = drawn
    target = tmp_path / "paths.png"
    draw_network(net, target, of, sites, asked.barriers.frame, "Demo")
    picture = matplotlib.image.imread(target)
    assert picture.shape[0] > 1000
    # Not blank, and the separate part's own colour is there.
    red = (abs(picture[..., :3] - [0xB5 / 255, 0x45 / 255, 0x2C / 255]).max(axis=2) < 0.02).sum()
    assert red > 50


def test_the_same_network_gives_the_same_picture(drawn, tmp_path):
    _, of, net, sites = drawn
    for name in ("a.png", "b.png"):
        draw_network(net, tmp_path / name, of, sites)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_a_folder_that_is_not_there_is_told(drawn, tmp_path):
    with pytest.raises(OutputError, match=r"no\.png"):
        draw_network(drawn[2], tmp_path / "nowhere" / "no.png")


def test_facts(drawn):
    facts = network_facts(drawn[2])
    assert facts["length_m"] == pytest.approx(1000 + 3 + 197 + 200 + 200)
    assert facts["ways"]["not told"] == pytest.approx(200)
    assert facts["closed"] == {"06-15..09-30": pytest.approx(200)}
    # The path up from the track crosses nothing: it ends on it, and the near miss at x 500 is mended.
    assert facts["repairs"] == {"near_miss": 1}
    assert len(facts["parts"]) == 2
    assert facts["climb_share"] == 1.0
