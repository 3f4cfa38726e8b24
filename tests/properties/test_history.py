"""Whatever surveys come and are undone, in whatever order: the history agrees with a plain model of it."""

import tempfile
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sourcing.errors import UsageError
from sourcing.intake.book import open_history
from sourcing.intake.fields import clean_fields
from sourcing.intake.history import accept, fields_today, surveys, undo
from sourcing.intake.readers import sha256_of
from sourcing.intake.survey import RawLayer, Survey
from sourcing.values import Values
from tests.postgis import new_database
from tests.surveys import season, square, table

VALUES = Values.load()
AT = datetime(2027, 5, 1)
crop = st.sampled_from(["maize", "cotton", "fallow"])
survey = st.tuples(st.dictionaries(st.integers(0, 5), crop, min_size=1, max_size=4), st.booleans())


def as_survey(folder, crops, number):
    rows = [{"village": "A", "crop": c, "geometry": square(place)} for place, c in crops.items()]
    frame = table(rows)
    frame["row"] = range(1, len(frame) + 1)
    (folder / "fields.txt").write_text(f"as it came, {number}")
    return Survey(RawLayer("fields", "fields.txt", sha256_of(folder / "fields.txt"), len(frame), frame))


@pytest.mark.parametrize("store", ["file", "postgis"])
@settings(deadline=None, max_examples=12, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.one_of(survey, st.just("undo")), min_size=1, max_size=7))
def test_the_history_agrees_with_a_plain_model(store, steps):
    """A survey says what grows on some of six places; fallow takes a field out, a complete one clears the rest."""
    states = [{}]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_history(folder / "history.sqlite" if store == "file" else new_database()) as book:
            for number, step in enumerate(steps):
                if step == "undo":
                    try:
                        undo(book, AT, "x")
                        states.pop()
                    except UsageError:
                        assert len(states) == 1
                else:
                    crops, complete = step
                    said = as_survey(folder, crops, number)
                    accept(book, said, clean_fields(said, season(), VALUES), folder, AT, "x", complete=complete)
                    before = {} if complete else states[-1]
                    merged = {**before, **crops}
                    states.append({p: c for p, c in merged.items() if c != "fallow"})
                frame = fields_today(book).frame
                places = ((frame.geometry.bounds.minx - 30) / 0.001).round().astype(int)
                assert dict(zip(places, frame.crop, strict=True)) == states[-1]
                assert frame.index.is_unique
            assert len(surveys(book)) == sum(s != "undo" for s in steps)
