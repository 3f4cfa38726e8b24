"""Every figure of a plan's record can be explained, and what is reckoned again agrees with what was recorded."""

import copy
import json

import pytest

from sourcing.errors import UsageError
from sourcing.season.again import Again
from sourcing.season.whence import SECTIONS, figure_names, whence
from tests.unit.planned import planned


@pytest.fixture(scope="module", params=[True, False], ids=["with a workshop", "char sold as it is"])
def record(request):
    """The record as plan.json holds it."""
    return json.loads(json.dumps(planned(workshop=request.param).record, default=str))


def numbers(path, node):
    """Every number in a part of the record, by where it stands."""
    if isinstance(node, dict):
        return [n for k, v in node.items() for n in numbers((*path, k), v)]
    if isinstance(node, list):
        return [n for k, v in enumerate(node) for n in numbers((*path, k), v)]
    return [path] if isinstance(node, int | float) and not isinstance(node, bool) else []


def test_every_number_of_money_workshop_air_chances_and_prices_has_a_name(record):
    there = sum(len(numbers((head,), record[head] or {})) for head in SECTIONS)
    names = figure_names(record)
    assert len(names) == len(set(names)) == there
    assert any(n.startswith("workshop.") for n in names) == (record["workshop"] is not None)


def test_every_number_is_explained_and_what_is_reckoned_again_agrees(record):
    again, wrong, rooms = 0, [], Again(record)
    for name in figure_names(record):
        found = whence(record, name, rooms)
        assert found.words.endswith(".")
        assert found.inputs
        again += bool(found.parts)
        if not found.agrees:
            wrong.append((name, found.value, found.reckoned))
    assert wrong == []
    told = ("chances.", "prices.", "solve.value", "solve.bound", "solve.seconds")
    drawn = [n for n in figure_names(record) if n.startswith(told) and ".plan" not in n]
    assert again >= len(figure_names(record)) - len(drawn) - 3


def test_every_total_is_explained(record):
    for name in record["totals"]:
        found = whence(record, f"totals.{name}")
        assert found.words
        assert found.agrees
        assert found.parts or name == "area_ha"


def test_the_parts_of_a_figure_are_its_terms(record):
    found = whence(record, "money.parts.villages.tending.amount")
    assert {p.words for p in found.parts} == {v["id"] for v in record["villages"] if v["deploy"]}
    assert "money.wage_per_h" in [f.name for f in found.figures]
    burning = whence(record, "climate.warming.open_burning_avoided.likely")
    assert {"cotton stalk"} <= {p.words for p in burning.parts}
    assert any(f.name.startswith("climate.open.combustion") for f in burning.figures)
    text = "\n".join(whence(record, "chances.season.char_kg.p10").lines())
    assert "10 in a hundred lie below" in text
    assert "stress.refusal_share" in text


def test_a_record_that_was_tampered_with_is_noticed(record):
    wrong = copy.deepcopy(record)
    wrong["money"]["margin"] += 100
    wrong["climate"]["warming"]["net"]["likely"] *= 2
    assert not whence(wrong, "money.margin").agrees
    assert not whence(wrong, "climate.warming.net.likely").agrees


def test_a_misspelt_name_is_answered_with_the_nearest(record):
    with pytest.raises(UsageError, match=r"money\.parts\.villages\.tending\.amount"):
        whence(record, "money.parts.villages.tendig.amount")
    with pytest.raises(UsageError, match="nothing is known"):
        whence(record, "totals.nothing")


def test_a_name_like_nothing_is_answered_with_all_that_can_be_explained(record):
    with pytest.raises(UsageError) as caught:
        whence(record, "WRONGNAME")
    for name in ("totals.NAME", "char_kg", *(f"{head}.…" for head in SECTIONS if record[head]), "money.margin"):
        assert name in str(caught.value)
    assert ("workshop.…" in str(caught.value)) == (record["workshop"] is not None)


def test_how_good_a_plan_is_proven_to_be_is_explained(record):
    gap = whence(record, "solve.gap")
    assert gap.agrees
    assert [p.words.split(",")[0] for p in gap.parts] == ["solve.bound", "solve.value"]
    widened = {**record, "solve": {**record["solve"], "bound": record["solve"]["bound"] * 2}}
    assert not whence(widened, "solve.gap").agrees
    assert whence(record, "solve.bound").unit == "crowns"


def test_a_plan_without_a_workshop_says_so():
    with pytest.raises(UsageError, match="this plan has no workshop"):
        whence(planned().record, "workshop.weeks.2027-W20.flour_kg")
