"""What must always hold of a barrel day and of the queue."""

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.season.barrel import BatchTimes, barrel_day, day_chart, interference

minutes = st.floats(0.5, 60)
quenched = st.builds(
    BatchTimes, fill=minutes, light=minutes, char=st.floats(5, 120), check=st.floats(0, 2), checks=st.integers(0, 5),
    end=minutes, end_people=st.just(1.0), shut=st.just(0.0), empty=minutes,
)  # fmt: skip
sealed = st.builds(
    BatchTimes, fill=minutes, light=minutes, char=st.floats(5, 120), check=st.floats(0, 2), checks=st.integers(0, 5),
    end=minutes, end_people=st.just(1.0), shut=st.sampled_from([60.0, 120.0, 700.0, 1440.0, 2880.0]), empty=minutes,
)  # fmt: skip
batches = st.one_of(quenched, sealed)
barrels = st.integers(1, 8)
tenders = st.integers(1, 5)
days = st.floats(60, 600)


@settings(max_examples=150, deadline=None)
@given(batches, barrels, tenders, days, st.booleans())
def test_more_tenders_never_mean_fewer_batches(times, n, k, day_min, varying):
    few, more = (barrel_day(times, n, tenders, day_min, varying=varying) for tenders in (k, k + 1))
    assert more.batches >= few.batches - 1e-9


@settings(max_examples=150, deadline=None)
@given(batches, barrels, tenders, days, st.booleans())
def test_more_barrels_never_mean_more_batches_a_barrel(times, n, k, day_min, varying):
    few, more = (barrel_day(times, barrels, k, day_min, varying=varying) for barrels in (n, n + 1))
    assert more.batches / (n + 1) <= few.batches / n + 1e-9


@settings(max_examples=150, deadline=None)
@given(quenched, barrels, tenders, days)
def test_work_and_barrel_time_fit_into_the_day(times, n, k, day_min):
    day = barrel_day(times, n, k, day_min)
    assert day.batches * times.tend_min <= k * day_min + 1e-6
    assert all(count * times.chain_min <= day_min + 1e-6 for count in day.batches_by_barrel)


@settings(max_examples=100, deadline=None)
@given(quenched, barrels, tenders, days)
def test_the_chart_never_asks_a_tender_to_be_in_two_places(times, n, k, day_min):
    chart = day_chart(barrel_day(times, n, k, day_min), day_min)
    for tender in range(k):
        bars = sorted((t.start_min, t.end_min) for t in chart if t.tender == tender)
        assert all(a[1] <= b[0] + 1e-6 for a, b in itertools.pairwise(bars))
    assert all(t.end_min <= day_min + 1e-6 for t in chart)


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 30), st.integers(1, 6), st.floats(0.01, 100), st.floats(0.01, 100))
def test_the_queue_balances(machines, repairers, up_h, repair_h):
    found = interference(machines, repairers, up_h, repair_h)
    assert abs(sum(found.probabilities) - 1) < 1e-9
    assert abs(found.down + found.running - machines) < 1e-9
    # Little's law, and the repairers' own
    assert abs(found.stops_per_h * found.down_h - found.down) < 1e-9
    busy = sum(min(n, repairers) * p for n, p in enumerate(found.probabilities))
    assert abs(busy - found.stops_per_h * repair_h) < 1e-9 * max(1.0, busy)
    assert found.wait_h >= 0
