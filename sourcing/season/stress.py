"""How sure a plan is: the season replayed many times, the placement held and the weekly work adapting.

What may differ from the plan, each of which can be switched off:

    residue    the year's yield and the residue ratio, together for all fields of a crop and partly for all crops
    fields     each field's own yield and the survey's error
    refusals   households that give nothing after all
    rain       working days lost
    barrels    barrels out of use
    carriers   carriers' hours missing
    char       char yield of each residue

In each week each site first does what the plan asked for, those first whose fields must be clear first, as far as the
residue, the barrels' hours and the carriers' hours reach; with what is left of both it takes what lies there from
before or is more than was planned. With nothing random a replay is the plan.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import csr_array
from scipy.special import ndtr

from sourcing.errors import UsageError
from sourcing.season.barrel import crew_week_h
from sourcing.season.problem import working_hours
from sourcing.season.works import Works, village_arrivals
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import Calendar

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CAUSES = ("residue", "fields", "refusals", "rain", "barrels", "carriers", "char")
"""What may differ from the plan."""
PERCENTILES = (10, 50, 90)
_NUMBERS_AT_ONCE = 4_000_000
"""Random numbers held at once; bounds the memory, whatever the survey's size."""
_TINY = 1e-9

_FIGURES = {
    "residue": ("stress.together",),
    "fields": ("stress.field_spread", "stress.survey_spread", "stress.estimated_spread"),
    "refusals": ("stress.refusal_share",),
    "rain": ("stress.wet_week_share", "stress.wet_week_days_lost"),
    "barrels": ("stress.barrel_down_share",),
    "carriers": ("stress.carriers_short_share", "stress.carriers_lost_share"),
    "char": (),
}


@dataclass(frozen=True)
class Stress:
    """Chances of a plan."""

    replays: int
    causes: tuple[str, ...]
    """What was let differ."""
    chances: pd.DataFrame
    """One row a site, week and number of barrels: site_id, village, week, barrels (of the plan), n (1 … barrels),
    chance that at least n barrels are kept busy to the busy floor [0-1]."""
    sites: pd.DataFrame
    """Index site_id: village, several (barrels asked of it: the lesser of fleet.several and the plan's), chance of
    keeping that many busy, over its weeks [0-1], sureness ('firm', 'likely', 'doubtful'), char_p10, char_p50,
    char_p90 [kg]."""
    villages: pd.DataFrame
    """Index village: char_p10, char_p50, char_p90 [kg], margin_p10, margin_p50, margin_p90 [currency]."""
    season: pd.DataFrame
    """Index residue_kg, char_kg, margin: plan, mean, p10, p50, p90."""
    char_kg: Floats
    """Char of each replay [kg], shape (replays,)."""
    margin: Floats
    """Villages' margin of each replay [currency], shape (replays,)."""
    figures_used: tuple[str, ...]
    spread: pd.DataFrame | None = None
    """What each cause alone does to the season, as :func:`by_cause` makes it; None where nobody asked."""


def replay_season(
    site_weeks: pd.DataFrame,
    carries: pd.DataFrame,
    rates: pd.DataFrame,
    lots: pd.DataFrame,
    works: Works,
    calendar: Calendar,
    settings: Settings,
    values: Values,
    *,
    causes: Iterable[str] = CAUSES,
) -> Stress:
    """Replay a placed season `settings.stress.replays` times.

    `site_weeks` (site_id, village, week, barrels), `carries` (lot, site_id, week, taken_kg, carry_h, cost), `lots`
    (field_id, crop, residue, ready_week, clear_week, loss_week, mass_kg, low_kg, high_kg, estimated) are the plan's
    tables, `rates` that of the barrels, `works` the season's work. `causes`: what may differ; none gives the plan
    again. Raises UsageError for an unknown cause.
    """
    chosen = tuple(causes)
    unknown = sorted(set(chosen) - set(CAUSES))
    if unknown:
        raise UsageError(f"a season can differ by {', '.join(CAUSES)}, not by {', '.join(unknown)}")
    held = _Held(site_weeks, carries, rates, lots, works, calendar, settings, values)
    replays = settings.stress.replays
    rng = np.random.default_rng(settings.stress.seed)
    at_once = int(max(1, min(replays, _NUMBERS_AT_ONCE // max(1, len(held.lot_kg)))))
    parts = [held.replay(min(at_once, replays - start), rng, frozenset(chosen)) for start in range(0, replays, at_once)]
    used, char, residue, cost = (np.concatenate([p[i] for p in parts]) for i in range(4))
    return held.summary(used, char, residue, cost, chosen)


def by_cause(
    site_weeks: pd.DataFrame,
    carries: pd.DataFrame,
    rates: pd.DataFrame,
    lots: pd.DataFrame,
    works: Works,
    calendar: Calendar,
    settings: Settings,
    values: Values,
) -> pd.DataFrame:
    """How much each cause alone moves the char and the margin, so that the planner knows what to find out first.

    The season's replays are shared out among the causes. Index cause, columns char_spread [kg] and margin_spread
    [currency] (P90 less P10), share (of the sum of the char's variances); sorted, largest first. The tables are those
    of :func:`replay_season`.
    """
    rows = []
    fewer = settings.stress.model_copy(update={"replays": -(-settings.stress.replays // len(CAUSES))})
    settings = settings.model_copy(update={"stress": fewer})
    for cause in CAUSES:
        found = replay_season(
            site_weeks, carries, rates, lots, works, calendar, settings, values, causes=(cause,)
        )  # fmt: skip
        ends = [np.percentile(x, (10, 90)) for x in (found.char_kg, found.margin)]
        rows.append((cause, ends[0][1] - ends[0][0], ends[1][1] - ends[1][0], float(np.var(found.char_kg))))
    frame = pd.DataFrame(rows, columns=["cause", "char_spread", "margin_spread", "variance"]).set_index("cause")
    total = float(frame["variance"].sum())
    frame["share"] = frame["variance"] / total if total > 0 else 0.0
    return frame.drop(columns="variance").sort_values("share", ascending=False, kind="stable")


class _Held:
    """The plan as arrays: what is the same in every replay.

    Groups g are the lots of one site, residue and window, sorted by site and by when they must be clear.
    """

    def __init__(
        self, site_weeks: pd.DataFrame, carries: pd.DataFrame, rates: pd.DataFrame, lots: pd.DataFrame, works: Works,
        calendar: Calendar, settings: Settings, values: Values,
    ):  # fmt: skip
        self.settings, self.values = settings, values
        self.sites, self.weeks = pd.Index(sorted(site_weeks["site_id"].unique())), calendar.count
        count = len(self.sites)
        self.village = site_weeks.drop_duplicates("site_id").set_index("site_id")["village"].reindex(self.sites)
        at = self.sites.get_indexer(site_weeks["site_id"]), site_weeks["week"].to_numpy(dtype=np.int64)
        self.barrels = np.zeros((count, self.weeks), dtype=np.int64)
        self.barrels[at] = site_weeks["barrels"]
        self.hours = working_hours(calendar, settings.fleet)
        self._lots(carries, lots)
        self._groups(carries, rates, lots)
        self.asked_h, self.carriers_h = self._carriers(works)
        self.fixed = self._fixed(works.site_weeks)

    def _carriers(self, works: Works) -> tuple[Floats, Floats]:
        """Hours of carrying that the plan asks, and that its whole carriers have, by site and week [h].

        A group's kilos take its mean hours, so that a week of far fields may seem to ask a little more than it has.
        """
        asked, have = (np.zeros((len(self.sites), self.weeks)) for _ in range(2))
        np.add.at(asked, self.g_site, self.planned * self.g_carry_h[:, None])
        w = works.site_weeks
        week = w["week"].to_numpy(dtype=np.int64)
        have[self.sites.get_indexer(w["site_id"]), week] = w["carriers"].to_numpy(dtype=float) * self.hours[week]
        return asked, np.maximum(have, asked)

    def _fixed(self, site_weeks: pd.DataFrame) -> Floats:
        """What each site costs whatever is charred there [currency], a village's own costs at its first site."""
        v, settings = self.values, self.settings
        cost: Floats = self.barrels.sum(axis=1) * v["money.barrel_week_cost"] + v["money.site_open_cost"]
        cost = cost + (self.barrels > 0) @ (crew_week_h(self.hours, settings) * v["money.wage_per_h"])
        first = {village: i for i, village in reversed(list(enumerate(self.village)))}
        if settings.moves.charge:
            came = site_weeks.groupby("site_id")["arrive"].sum().reindex(self.sites).to_numpy(dtype=float)
            cost = cost + came * v["money.barrel_move_cost"]
            for village, rows in village_arrivals(site_weeks).groupby("village"):
                cost[first[village]] += float(rows["barrels"].sum()) * v["money.barrel_village_move_cost"]
        if settings.villages.charge:
            for place in first.values():
                cost[place] += v["money.village_deploy_cost"]
        return cost

    def _lots(self, carries: pd.DataFrame, lots: pd.DataFrame) -> None:
        """Lots that the plan touches, each once, with their field and the band of their residue."""
        used = lots.loc[np.unique(carries["lot"].to_numpy())]
        self.lot_ids = used.index
        self.lot_kg = used["mass_kg"].to_numpy(dtype=float)
        self.lot_estimated = used["estimated"].to_numpy(dtype=bool)
        self.field_of_lot, fields = pd.factorize(used["field_id"])
        self.fields = len(fields)
        kind = used.groupby(["crop", "residue"], sort=True, observed=True)
        self.kind_of_lot = kind.ngroup().to_numpy(dtype=np.int64)
        band = kind[["low_kg", "mass_kg", "high_kg"]].sum()
        self.kinds = list(band.index)
        mass = band["mass_kg"].to_numpy(dtype=float)
        safe = np.where(mass > 0, mass, 1.0)
        self.kind_low = np.minimum(band["low_kg"].to_numpy(dtype=float) / safe, 1.0)
        self.kind_high = np.maximum(band["high_kg"].to_numpy(dtype=float) / safe, 1.0)

    def _groups(self, carries: pd.DataFrame, rates: pd.DataFrame, lots: pd.DataFrame) -> None:
        keys = ["crop", "residue", "ready_week", "clear_week", "loss_week"]
        frame = carries[["lot", "site_id", "week", "taken_kg", "carry_h", "cost"]].reset_index(drop=True)
        frame = frame.join(lots[keys], on="lot")
        frame["site"] = self.sites.get_indexer(frame["site_id"])
        grouped = frame.groupby(["site", "clear_week", "ready_week", "crop", "residue", "loss_week"], observed=True)
        group = grouped.ngroup().to_numpy(dtype=np.int64)
        table = grouped[["taken_kg", "carry_h", "cost"]].sum().reset_index()
        self.g_site = table["site"].to_numpy(dtype=np.int64)
        self.g_first = table["ready_week"].to_numpy(dtype=np.int64)
        self.g_last = table["clear_week"].to_numpy(dtype=np.int64)
        self.g_keep = 1 - table["loss_week"].to_numpy(dtype=float)
        taken = table["taken_kg"].to_numpy(dtype=float)
        safe = np.where(taken > 0, taken, 1.0)
        self.g_carry_h = table["carry_h"].to_numpy(dtype=float) / safe
        self.g_carry_cost = table["cost"].to_numpy(dtype=float) / safe
        rate = rates.reindex(pd.MultiIndex.from_frame(table[["crop", "residue"]].astype(str)))
        self.g_hours = rate["hours_per_kg"].to_numpy(dtype=float)
        self.g_char = rate["char_kg_per_kg"].to_numpy(dtype=float)
        self.g_work_cost = rate["work_cost_per_kg"].to_numpy(dtype=float)
        place = {kind: i for i, kind in enumerate(self.kinds)}
        self.g_kind = np.array(
            [place[(c, r)] for c, r in zip(table["crop"], table["residue"], strict=True)], dtype=np.int64
        )
        self.planned = np.zeros((len(table), self.weeks))
        np.add.at(
            self.planned, (group, frame["week"].to_numpy(dtype=np.int64)), frame["taken_kg"].to_numpy(dtype=float)
        )
        # what the plan keeps for later weeks is not touched before
        self.later = self.planned.sum(axis=1, keepdims=True) - np.cumsum(self.planned, axis=1)
        lot = self.lot_ids.get_indexer(frame["lot"])
        self.taken = csr_array(
            (frame["taken_kg"].to_numpy(dtype=float), (lot, group)), shape=(len(self.lot_ids), len(table))
        )

    def replay(
        self, replays: int, rng: np.random.Generator, causes: frozenset[str]
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Barrel-hours used (replays, sites, weeks), char, residue charred and variable cost (replays, sites)."""
        sites, weeks = self.barrels.shape
        left = self._residue(replays, rng, causes)
        char_factor = self._char(replays, rng, causes)
        rain = self._weather(replays, rng, causes)
        up, short = self._means(replays, rng, causes)
        lost = self.values["stress.carriers_lost_share"]
        used = np.zeros((replays, sites, weeks))
        char, residue, cost = (np.zeros((replays, sites)) for _ in range(3))
        for week in range(weeks):
            open_ = np.flatnonzero(
                (self.g_first <= week) & (week <= self.g_last) & (self.barrels[self.g_site, week] > 0)
            )
            if not len(open_):
                continue
            site = self.g_site[open_]
            keep = self.g_keep[open_] ** (week - self.g_first[open_])
            hours = keep * self.g_hours[open_]
            carry = self.g_carry_h[open_]
            room = self.barrels[:, week] * self.hours[week] * rain[:, week, None] * up[:, :, week]
            few, all_ = self.asked_h[:, week] * (1 - lost), self.carriers_h[:, week]
            hands = np.where(short[:, :, week], few, all_) * rain[:, week, None]
            room, hands = room * (1 + _TINY), hands * (1 + _TINY)
            for wished in (True, False):
                there = left[:, open_]
                spare = np.maximum(there - self.later[open_, week], 0.0)
                wanted = np.minimum(there, self.planned[open_, week]) if wished else spare
                done = _first_come(wanted, hours, room, site)
                done = _first_come(done, carry, hands, site)
                left[:, open_] = there - done
                room = np.maximum(room - _by_site(done * hours, site, sites), 0.0)
                hands = np.maximum(hands - _by_site(done * carry, site, sites), 0.0)
                charred = done * keep
                used[:, :, week] += _by_site(done * hours, site, sites)
                char += _by_site(charred * self.g_char[open_] * char_factor[:, self.g_kind[open_]], site, sites)
                residue += _by_site(charred, site, sites)
                cost += _by_site(charred * self.g_work_cost[open_] + done * self.g_carry_cost[open_], site, sites)
        return used, char, residue, cost

    def _residue(self, replays: int, rng: np.random.Generator, causes: frozenset[str]) -> Floats:
        """Kilos that are really there for each group (replays, groups), as at readiness."""
        factor = np.ones((replays, len(self.lot_kg)))
        v = self.values
        if "residue" in causes:
            together = np.sqrt(v["stress.together"])
            alone = np.sqrt(1 - v["stress.together"])
            draw = ndtr(
                together * rng.standard_normal((replays, 1)) + alone * rng.standard_normal((replays, len(self.kinds)))
            )
            factor *= _triangle(draw, self.kind_low, self.kind_high)[:, self.kind_of_lot]
        if "fields" in causes:
            survey = np.where(self.lot_estimated, v["stress.estimated_spread"], v["stress.survey_spread"])
            spread = np.sqrt(v["stress.field_spread"] ** 2 + survey**2)
            log = np.sqrt(np.log1p(spread**2))
            draw = rng.standard_normal((replays, self.fields))[:, self.field_of_lot]
            factor *= np.exp(log * draw - log**2 / 2)
        if "refusals" in causes:
            factor *= (rng.random((replays, self.fields)) >= v["stress.refusal_share"])[:, self.field_of_lot]
        return np.asarray((self.taken.T @ factor.T).T)

    def _char(self, replays: int, rng: np.random.Generator, causes: frozenset[str]) -> Floats:
        """Char yield over the plan's, by residue (replays, kinds)."""
        if "char" not in causes:
            return np.ones((replays, len(self.kinds)))
        figures = [self.values.figure(f"crop.{crop}.{residue}.char_yield") for crop, residue in self.kinds]
        likely = np.array([f.likely for f in figures])
        low, high = (np.array([getattr(f, end) for f in figures]) / likely for end in ("low", "high"))
        return _triangle(rng.random((replays, len(self.kinds))), low, high)

    def _weather(self, replays: int, rng: np.random.Generator, causes: frozenset[str]) -> Floats:
        """Share of each week's working days that is left (replays, weeks)."""
        if "rain" not in causes:
            return np.ones((replays, self.weeks))
        days = self.hours / self.settings.fleet.hours_a_day
        lost = np.divide(
            np.minimum(self.values["stress.wet_week_days_lost"], days), days, out=np.zeros_like(days), where=days > 0
        )
        wet = rng.random((replays, self.weeks)) < self.values["stress.wet_week_share"]
        return np.asarray(1.0 - wet * lost, dtype=np.float64)

    def _means(
        self, replays: int, rng: np.random.Generator, causes: frozenset[str]
    ) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Share of the barrels that work, and whether carriers are short (replays, sites, weeks)."""
        shape = (replays, *self.barrels.shape)
        up, short = np.ones(shape), np.zeros(shape, dtype=bool)
        if "barrels" in causes:
            down = rng.binomial(self.barrels, self.values["stress.barrel_down_share"], size=shape)
            up -= down / np.maximum(self.barrels, 1)
        if "carriers" in causes:
            short = rng.random(shape) < self.values["stress.carriers_short_share"]
        return up, short

    def summary(self, used: Floats, char: Floats, residue: Floats, cost: Floats, causes: tuple[str, ...]) -> Stress:
        """The chances and percentiles of all replays."""
        v, choice = self.values, self.settings
        margin = char * v["money.char_value_per_kg"] - cost - self.fixed
        floor = choice.fleet.busy_floor if choice.fleet.busy_floor > 0 else 1.0
        each = floor * self.hours
        busy = np.floor(used / np.where(each > 0, each, np.inf) * (1 + _TINY) + _TINY)
        busy = np.minimum(busy, self.barrels)
        chances = self._chances(busy)
        site = self._site_table(chances, char)
        names = self.village.to_numpy()
        order = sorted(set(names))
        member = (names[:, None] == np.array(order, dtype=object)[None, :]).astype(float)
        villages = pd.DataFrame(
            {**_spread("char", char @ member), **_spread("margin", margin @ member)},
            index=pd.Index(order, name="village"),
        )
        totals = {"residue_kg": residue.sum(axis=1), "char_kg": char.sum(axis=1), "margin": margin.sum(axis=1)}
        plan = self._plan()
        season = pd.DataFrame(
            {
                "plan": [plan[name] for name in totals],
                "mean": [float(x.mean()) for x in totals.values()],
                **{f"p{p}": [float(np.percentile(x, p)) for x in totals.values()] for p in PERCENTILES},
            },
            index=list(totals),
        )
        figures = {name for cause in causes for name in _FIGURES[cause]}
        figures |= {"money.barrel_week_cost", "money.site_open_cost", "money.char_value_per_kg"}
        if choice.moves.charge:
            figures |= {"money.barrel_move_cost", "money.barrel_village_move_cost"}
        if choice.villages.charge:
            figures.add("money.village_deploy_cost")
        if "char" in causes:
            figures |= {f"crop.{crop}.{residue}.char_yield" for crop, residue in self.kinds}
        return Stress(
            len(char),
            causes,
            chances,
            site,
            villages,
            season,
            totals["char_kg"],
            totals["margin"],
            tuple(sorted(figures)),
        )

    def _plan(self) -> dict[str, float]:
        """The plan's own totals, reckoned without any replay."""
        v = self.values
        age = np.maximum(np.arange(self.weeks)[None, :] - self.g_first[:, None], 0)
        charred = self.planned * self.g_keep[:, None] ** age
        char = float((charred.sum(axis=1) * self.g_char).sum())
        cost = float((charred.sum(axis=1) * self.g_work_cost + self.planned.sum(axis=1) * self.g_carry_cost).sum())
        return {
            "residue_kg": float(charred.sum()), "char_kg": char,
            "margin": char * v["money.char_value_per_kg"] - cost - float(self.fixed.sum()),
        }  # fmt: skip

    def _chances(self, busy: Floats) -> pd.DataFrame:
        site, week = np.nonzero(self.barrels)
        count = self.barrels[site, week]
        row = np.repeat(np.arange(len(site)), count)
        n = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 1
        at_least = np.zeros(len(row))
        for number in np.unique(n):
            which = n == number
            at_least[which] = (busy[:, site[row[which]], week[row[which]]] >= number).mean(axis=0)
        ids = self.sites.to_numpy()[site[row]]
        return pd.DataFrame(
            {
                "site_id": ids, "village": self.village.reindex(ids).to_numpy(), "week": week[row],
                "barrels": count[row], "n": n, "chance": at_least,
            }
        )  # fmt: skip

    def _site_table(self, chances: pd.DataFrame, char: Floats) -> pd.DataFrame:
        several, choice = self.settings.fleet.several, self.settings.stress
        asked = chances[chances["n"] == np.minimum(several, chances["barrels"])]
        chance = asked.groupby("site_id")["chance"].mean().reindex(self.sites).fillna(0.0)
        named = np.select([chance >= choice.firm, chance >= choice.likely], ["firm", "likely"], "doubtful")
        most = pd.Series(self.barrels.max(axis=1, initial=0), index=self.sites)
        frame = pd.DataFrame(
            {
                "village": self.village, "several": np.minimum(several, most), "chance": chance, "sureness": named,
                **_spread("char", char),
            },
            index=self.sites,
        )  # fmt: skip
        return frame.rename_axis("site_id")


def _triangle(draw: Floats, low: Floats, high: Floats) -> Floats:
    """Numbers between `low` and `high` that are likeliest at 1, by the triangular distribution, from draws in 0-1."""
    width = np.where(high > low, high - low, 1.0)
    peak = (1 - low) / width
    rising = low + np.sqrt(draw * width * np.maximum(1 - low, 0.0))
    falling = high - np.sqrt((1 - draw) * width * np.maximum(high - 1, 0.0))
    return np.where(high > low, np.where(draw < peak, rising, falling), 1.0)


def _first_come(wanted: Floats, each: Floats, room: Floats, site: Ints) -> Floats:
    """What is done of `wanted` (replays, groups) in the groups' order, each kilo taking `each` of the site's `room`."""
    need = wanted * each
    before = np.cumsum(need, axis=1) - need
    first = np.searchsorted(site, site)  # where each group's site begins; groups are sorted by site
    before = before - before[:, first]
    free = np.clip(room[:, site] - before, 0.0, need)
    share = np.divide(free, need, out=np.ones_like(need), where=need > 0)
    return np.asarray(wanted * share)


def _by_site(amount: Floats, site: Ints, sites: int) -> Floats:
    """Sums over each site's groups, shape (replays, sites)."""
    starts = np.flatnonzero(np.diff(site, prepend=-1))
    out = np.zeros((amount.shape[0], sites))
    out[:, site[starts]] = np.add.reduceat(amount, starts, axis=1)
    return out


def _spread(name: str, amount: Floats) -> dict[str, Floats]:
    """Percentiles over the replays of each column."""
    found = np.percentile(amount, PERCENTILES, axis=0) if amount.size else np.zeros((len(PERCENTILES), amount.shape[1]))
    return {f"{name}_p{p}": found[i] for i, p in enumerate(PERCENTILES)}
