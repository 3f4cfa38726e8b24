"""The independent checker: recomputes a placement from its carries alone, without the model.

Nothing of :mod:`sourcing.placement.model` is used. Every rule of the question is walked through with plain loops and
dictionaries, starting from which arc was carried in which week. The list that comes back is empty for a sound plan.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np

from sourcing.placement.instance import Instance
from sourcing.placement.solve import Placement

TOLERANCE = 1e-5
"""Share by which a limit may be overstepped, for rounding."""


def check(instance: Instance, placement: Placement) -> list[str]:
    """Faults of a placement in plain words; empty when it obeys every rule and is worth what it says."""
    return _Checker(instance, placement).faults()


class _Checker:
    def __init__(self, it: Instance, plan: Placement) -> None:
        self.it, self.plan = it, plan
        self.found: list[str] = []
        self.barrels = plan.barrels.tolist()
        self.carries = list(zip(plan.carry_arc.tolist(), plan.carry_week.tolist(), plan.carry_kg.tolist(), strict=True))
        self.arc_lot, self.arc_site = it.arc_lot.tolist(), it.arc_site.tolist()
        self.arc_class = [it.lot_class[lot] for lot in it.arc_lot] if it.arc_class is None else it.arc_class.tolist()
        self.ready = (it.class_first if it.class_ready is None else it.class_ready).tolist()
        self.first, self.last = it.class_first.tolist(), it.class_last.tolist()
        self.loss = it.class_loss_week.tolist()
        self.sites, self.weeks = range(len(self.barrels)), range(len(it.fleet))
        self.charred: dict[tuple[int, int], dict[int, float]] = defaultdict(lambda: defaultdict(float))
        """kg really charred by (site, week), then class."""

    def faults(self) -> list[str]:
        if self.shapes():
            self.carrying()
            self.work()
            self.standing()
            self.village_barrels()
            self.busy()
            self.numbers()
            self.moving()
            self.people_and_water()
            self.workshop()
            self.shares()
            self.worth()
        return self.found

    def say(self, text: str) -> None:
        if len(self.found) < 100:
            self.found.append(text)

    def over(self, amount: float, limit: float, scale: float = 1.0) -> bool:
        return amount > limit + TOLERANCE * max(abs(limit), scale)

    def shapes(self) -> bool:
        plan = self.plan
        if plan.barrels.shape != self.it.site_hours.shape:
            self.say(f"barrels have shape {plan.barrels.shape}, the season {self.it.site_hours.shape}")
        if plan.barrels.dtype.kind != "i":
            self.say(f"barrels are of type {plan.barrels.dtype}, not whole numbers")
        if len(plan.x) != len(self.arc_lot):
            self.say(f"{len(plan.x)} arcs in the plan, {len(self.arc_lot)} in the season")
        for arc, week, kg in self.carries:
            if not (0 <= arc < len(self.arc_lot) and week in self.weeks and kg >= 0 and math.isfinite(kg)):
                self.say(f"a carry of {kg} kg along arc {arc} in week {week} is not possible")
        return not self.found

    def carrying(self) -> None:
        """Windows, masses, and what is left by the week of charring."""
        from_lot: dict[int, float] = defaultdict(float)
        along: dict[int, float] = defaultdict(float)
        for arc, week, kg in self.carries:
            lot = self.arc_lot[arc]
            klass = self.arc_class[arc]
            if not self.first[klass] <= week <= self.last[klass]:
                self.say(f"lot {lot} is charred in week {week}, outside {self.first[klass]} to {self.last[klass]}")
                continue
            from_lot[lot] += kg
            along[arc] += kg
            left = kg
            for _ in range(week - self.ready[klass]):
                left *= 1 - self.loss[klass]
            self.charred[self.arc_site[arc], week][klass] += left
        for lot, kg in from_lot.items():
            if self.over(kg, float(self.it.lot_mass_kg[lot])):
                self.say(f"lot {lot}: {kg:.3f} kg carried of {self.it.lot_mass_kg[lot]:.3f}")
        for arc, kg in enumerate(self.plan.x.tolist()):
            if abs(kg - along[arc]) > TOLERANCE * max(1.0, kg):
                self.say(f"arc {arc}: x says {kg:.3f} kg, its carries {along[arc]:.3f}")
        self.from_lot = from_lot

    def work(self) -> None:
        """What is said to be charred is what was carried."""
        said: dict[tuple[int, int, int], float] = defaultdict(float)
        plan = self.plan
        for site, klass, week, kg in zip(
            plan.work_site.tolist(),
            plan.work_class.tolist(),
            plan.work_week.tolist(),
            plan.work_kg.tolist(),
            strict=True,
        ):
            said[site, klass, week] += kg
        for arc, week, kg in self.carries:
            said[self.arc_site[arc], self.arc_class[arc], week] -= kg
        for (site, klass, week), kg in said.items():
            if abs(kg) > 1e-3:
                self.say(f"site {site}, class {klass}, week {week}: {kg:+.3f} kg charred that nobody carried")

    def standing(self) -> None:
        """Whole barrels within the site's least and most, the wishes and the fleet."""
        it, wishes = self.it, self.it.wishes
        for week in self.weeks:
            used = sum(self.barrels[s][week] for s in self.sites)
            if used > it.fleet[week]:
                self.say(f"week {week}: {used} barrels stand, the fleet has {it.fleet[week]}")
        for s in self.sites:
            for week, y in enumerate(self.barrels[s]):
                if y < 0 or y > it.site_most[s] or 0 < y < it.site_least[s]:
                    self.say(
                        f"site {s}, week {week}: {y} barrels, allowed are 0 or {it.site_least[s]} to {it.site_most[s]}"
                    )
                if wishes.barrels_most is not None and y > wishes.barrels_most[s, week]:
                    self.say(f"site {s}, week {week}: {y} barrels, at most {wishes.barrels_most[s, week]} wished for")
                if wishes.barrels_least is not None and y < wishes.barrels_least[s, week]:
                    self.say(f"site {s}, week {week}: {y} barrels, at least {wishes.barrels_least[s, week]} wished for")
            if bool(self.plan.opened[s]) != any(self.barrels[s]):
                self.say(f"site {s}: opened is {bool(self.plan.opened[s])}, its barrels say otherwise")

    def village_barrels(self) -> None:
        """Barrels of a village, over all its sites, within what is wished for."""
        wishes = self.it.wishes
        if wishes.village_least is None and wishes.village_most is None:
            return
        for week in self.weeks:
            there: dict[int, int] = defaultdict(int)
            for s in self.sites:
                there[int(self.it.site_village[s])] += self.barrels[s][week]
            for v in range(self.it.village_count):
                if wishes.village_least is not None and there[v] < wishes.village_least[v, week]:
                    self.say(f"village {v}, week {week}: {there[v]} barrels, at least {wishes.village_least[v, week]}")
                if wishes.village_most is not None and there[v] > wishes.village_most[v, week]:
                    self.say(f"village {v}, week {week}: {there[v]} barrels, at most {wishes.village_most[v, week]}")

    def hours(self, site: int, week: int) -> float:
        return sum(kg * float(self.it.class_hours_per_kg[k]) for k, kg in self.charred.get((site, week), {}).items())

    def crew_price(self, site: int, week: int) -> float:
        """What the crew of a site costs for one week there, from the figure as it was given."""
        given = self.it.site_week_cost
        if isinstance(given, np.ndarray):
            given = given[site, week] if given.ndim == 2 else given[site]
        return float(given)

    def busy(self) -> None:
        """Barrel hours and the busy floor."""
        it = self.it
        for s in self.sites:
            for week in self.weeks:
                there = self.barrels[s][week] * float(it.site_hours[s, week])
                hours = self.hours(s, week)
                if self.over(hours, there, 0.1):
                    self.say(f"site {s}, week {week}: {hours:.3f} barrel hours of work, {there:.3f} there are")
                worked = it.previous is not None and it.previous.worked is not None and it.previous.worked[week]
                if not worked and self.over(it.busy_floor * there, hours, 0.1):
                    self.say(f"site {s}, week {week}: busy {hours:.3f} h, the floor is {it.busy_floor * there:.3f} h")

    def numbers(self) -> None:
        """How many sites and villages; pins; and differing from other plans."""
        it, wishes = self.it, self.it.wishes
        used = {s for s in self.sites if any(self.barrels[s])}
        if len(used) < wishes.sites_least:
            self.say(f"{len(used)} sites are used, at least {wishes.sites_least} wished for")
        if wishes.sites_most is not None and len(used) > wishes.sites_most:
            self.say(f"{len(used)} sites are used, at most {wishes.sites_most} wished for")
        if wishes.site_pin is not None:
            for s, pin in enumerate(wishes.site_pin.tolist()):
                if (pin == 1 and s not in used) or (pin == -1 and s in used):
                    self.say(f"site {s} is pinned {'in' if pin == 1 else 'out'}, the plan does otherwise")
        villages = {int(it.site_village[s]) for s in used}
        if it.villages is not None:
            if len(villages) < it.villages.least:
                self.say(f"{len(villages)} villages are worked in, at least {it.villages.least} wished for")
            if it.villages.most is not None and len(villages) > it.villages.most:
                self.say(f"{len(villages)} villages are worked in, at most {it.villages.most} wished for")
            if it.villages.pin is not None:
                for v, pin in enumerate(it.villages.pin.tolist()):
                    if (pin == 1 and v not in villages) or (pin == -1 and v in villages):
                        self.say(f"village {v} is pinned {'in' if pin == 1 else 'out'}, the plan does otherwise")
        self.used, self.villages = used, villages

    def moving(self) -> None:
        """Barrels brought: how many a week, how long they stand, what it costs; and how far off last plan."""
        it, moves = self.it, self.it.moves
        self.move_cost = self.change_price = 0.0
        if moves is not None:
            brought_in: dict[int, int] = defaultdict(int)
            before = [0 if moves.standing is None else int(moves.standing[s]) for s in self.sites]
            batches: list[list[tuple[int, int]]] = [[] for _ in self.sites]
            for week in self.weeks:
                net: dict[int, int] = defaultdict(int)
                for s in self.sites:
                    y = self.barrels[s][week]
                    more = y - before[s]
                    net[int(it.site_village[s])] += more
                    if more > 0:
                        brought_in[week] += more
                        self.move_cost += more * float(moves.site_cost[s])
                        batches[s].append((week, more))
                    bound = sum(n for since, n in batches[s] if week - since < moves.stay_weeks)
                    if y < bound:
                        self.say(f"site {s}, week {week}: {y} barrels, {bound} were brought too lately to leave")
                    before[s] = y
                if moves.village_cost is not None:
                    self.move_cost += sum(max(0, n) * float(moves.village_cost[v]) for v, n in net.items())
                if moves.most is not None and brought_in[week] > float(moves.most[week]) + TOLERANCE:
                    self.say(
                        f"week {week}: {brought_in[week]} barrels are brought, at most {moves.most[week]:g} can be"
                    )
        last = it.previous
        if last is not None:
            for s in self.sites:
                old = last.barrels[s].tolist()
                self.change_price += last.barrel_week_price * sum(
                    abs(a - b) for a, b in zip(self.barrels[s], old, strict=True)
                )
                self.change_price += last.site_price * (any(old) != any(self.barrels[s]))

    def people_and_water(self) -> None:
        """Crew hours by village and week, from the hours of each carry; water by site and week."""
        it = self.it
        if it.crew is not None:
            hours: dict[tuple[int, int], float] = defaultdict(float)
            for arc, week, kg in self.carries:
                hours[int(it.site_village[self.arc_site[arc]]), week] += kg * float(it.arc_hours_per_kg[arc])
            for (s, week), by_class in self.charred.items():
                for klass, kg in by_class.items():
                    hours[int(it.site_village[s]), week] += kg * float(it.crew.class_tender_hours_per_kg[klass])
            if it.crew.site_week_hours is not None:
                for s in self.used:
                    for week, y in enumerate(self.barrels[s]):
                        if y > 0:
                            hours[int(it.site_village[s]), week] += float(it.crew.site_week_hours[week])
            for (v, week), spent in hours.items():
                if self.over(spent, float(it.crew.hours[v, week])):
                    self.say(
                        f"village {v}, week {week}: {spent:.2f} crew hours, there are {it.crew.hours[v, week]:.2f}"
                    )
        if it.water is not None:
            for (s, week), by_class in self.charred.items():
                litres = sum(kg * float(it.water.class_litres_per_kg[klass]) for klass, kg in by_class.items())
                if self.over(litres, float(it.water.litres[s, week])):
                    self.say(
                        f"site {s}, week {week}: {litres:.1f} l of water, there are {it.water.litres[s, week]:.1f}"
                    )

    def workshop(self) -> None:
        """Char that the presses cannot take must find room in the store."""
        shop = self.it.workshop
        self.haul_cost = 0.0
        if shop is None:
            return
        made: dict[int, float] = defaultdict(float)
        for (s, week), by_class in self.charred.items():
            for klass, kg in by_class.items():
                char = kg * float(self.it.class_char_per_kg[klass])
                made[week] += char
                if shop.site_haul_cost_per_kg is not None:
                    self.haul_cost += char * float(shop.site_haul_cost_per_kg[s])
        stock = 0.0
        for week in self.weeks:
            stock = max(0.0, stock + made[week] - float(shop.press_kg[week]))
            if self.over(stock, shop.store_kg):
                self.say(f"week {week}: {stock:.1f} kg of char wait in a store for {shop.store_kg:.1f}")

    def shares(self) -> None:
        """The share to clear, each village's fair share, and differing from other plans."""
        wishes = self.it.wishes
        if wishes.fair_share is not None and wishes.lot_village is not None:
            own: dict[int, float] = defaultdict(float)
            got_of: dict[int, float] = defaultdict(float)
            for lot, v in enumerate(wishes.lot_village.tolist()):
                own[v] += float(self.it.lot_mass_kg[lot])
                got_of[v] += self.from_lot.get(lot, 0.0)
            for v, kg in own.items():
                if self.over(float(wishes.fair_share[v]) * kg, got_of[v]):
                    self.say(
                        f"village {v}: {got_of[v]:.1f} of {kg:.1f} kg collected, {wishes.fair_share[v]:.0%} was wished"
                    )
        for n, other in enumerate(wishes.avoid):
            unlike = sum((s in self.used) != bool(other[s]) for s in self.sites)
            if unlike < wishes.apart:
                self.say(f"the plan differs from plan {n} in {unlike} sites, {wishes.apart} were wished")
        it = self.it
        if it.goal == "clear":
            asked, got = it.clear_share * math.fsum(it.lot_mass_kg.tolist()), math.fsum(self.from_lot.values())
            if self.over(asked, got):
                self.say(f"{got:.3f} kg are cleared, {asked:.3f} were to be")

    def worth(self) -> None:
        """The value said, recomputed from the carries; and the bound on its right side."""
        it, plan = self.it, self.plan
        costs = math.fsum(kg * float(it.arc_cost_per_kg[arc]) for arc, _, kg in self.carries)
        costs += math.fsum(float(it.site_open_cost[s]) for s in self.used)
        costs += math.fsum(float(it.barrel_cost[s]) * y for s in self.sites for y in self.barrels[s])
        costs += math.fsum(self.crew_price(s, week) for s in self.used for week, y in enumerate(self.barrels[s]) if y)
        if it.villages is not None:
            costs += math.fsum(float(it.villages.deploy_cost[v]) for v in self.villages)
        costs += self.move_cost + self.haul_cost
        outlay = worth = char = 0.0
        for by_class in self.charred.values():
            for klass, kg in by_class.items():
                worth += kg * float(it.class_value_per_kg[klass])
                outlay += kg * float(it.class_cost[klass])
                char += kg * float(it.class_char_per_kg[klass])
        margin, cleared = worth - costs, math.fsum(self.from_lot.values())
        value = {
            "margin": margin,
            "char": char,
            "clear": costs + outlay,
            "mix": it.weights[0] * margin + it.weights[1] * char + it.weights[2] * cleared,
        }[plan.goal]
        value += self.change_price if plan.goal == "clear" else -self.change_price
        spent = costs + outlay
        if it.wishes.budget is not None and self.over(spent, it.wishes.budget):
            self.say(f"{spent:.2f} is spent, the budget is {it.wishes.budget:.2f}")
        for name, found, said in (
            ("margin", margin, plan.margin),
            ("char", char, plan.char_kg),
            ("residue", cleared, plan.cleared_kg),
            ("spending", spent, plan.spent),
        ):
            if abs(found - said) > TOLERANCE * max(1.0, abs(found), worth * 1e-2, costs * 1e-2):
                self.say(f"the plan says its {name} is {said:.6g}; recomputed {found:.6g}")
        scale = max(1.0, abs(value), worth * 1e-2, costs * 1e-2)
        if plan.goal != it.goal:
            self.say(f"the plan's goal is {plan.goal}, the season's {it.goal}")
        if abs(value - plan.value) > TOLERANCE * scale:
            self.say(f"the plan says it is worth {plan.value:.6g}; recomputed {value:.6g}")
        better = plan.bound - plan.value if plan.goal != "clear" else plan.value - plan.bound
        if better < -TOLERANCE * scale:
            self.say(f"the bound {plan.bound:.6g} lies on the wrong side of the value {plan.value:.6g}")
