"""Energy in the char and what the air is spared and given, each with low, likely and high.

Carbon dioxide from residue and from wood that grows again is not counted, as in a national inventory; methane and
nitrous oxide are, by the edition of the warming potentials that the season names. Nothing here is a carbon credit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import pandas as pd

from sourcing.season.works import Works
from sourcing.settings import Settings
from sourcing.values import Estimate, Values

ENDS: tuple[Estimate, ...] = ("low", "likely", "high")
_OPPOSITE: Mapping[Estimate, Estimate] = MappingProxyType({"low": "high", "likely": "likely", "high": "low"})
_KG_A_T = 1000.0
_G_A_KG = 1000.0
_MJ_A_TJ = 1e6
_PERCENT = 100.0


@dataclass(frozen=True)
class Climate:
    """A season's energy and air. Columns low, likely, high; every table also has `unit`."""

    gwp: str
    """Edition of the warming potentials."""
    energy: pd.DataFrame
    """Index: char_kg, char_ncv_mj_kg (as burnt), energy_gj, meals, firewood_kg or charcoal_kg displaced."""
    warming: pd.DataFrame
    """Kilograms of CO2 equivalent, index: open_burning_avoided, fuel_displaced, barrels_own, power, net (what is
    avoided less what is given off; its low end joins little avoided and much given off)."""
    smoke: pd.DataFrame
    """Kilograms, index: co_avoided, co_own, particles_avoided, particles_own."""
    feed: pd.DataFrame
    """Index (crop, residue): char_kg, moisture (share, wet basis), state ('dry', 'damp', 'wet')."""
    notes: tuple[str, ...]
    figures_used: tuple[str, ...]


def hhv_from_elements(
    carbon: float, hydrogen: float, oxygen: float, nitrogen: float, sulphur: float, ash: float, values: Values
) -> float:
    """Higher heating value [MJ/kg dry] from composition [% of dry mass] (Channiwala and Parikh 2002, Fuel 81:1051).

    Valid for C 0-92.25, H 0.43-25.15, O 0-50, N 0-5.6, S 0-94.08, ash 0-71.4 %.
    """
    parts = {
        "carbon": carbon, "hydrogen": hydrogen, "oxygen": oxygen, "nitrogen": nitrogen, "sulphur": sulphur, "ash": ash,
    }  # fmt: skip
    return sum(values[f"climate.hhv.{name}"] * share for name, share in parts.items())


def hhv_from_proximate(fixed_carbon: float, volatile: float, ash: float, values: Values) -> float:
    """Higher heating value [MJ/kg dry] from proximate analysis [% of dry mass] (Parikh et al. 2005, Fuel 84:487)."""
    parts = {"fixed_carbon": fixed_carbon, "volatile": volatile, "ash": ash}
    return sum(values[f"climate.proximate.{name}"] * share for name, share in parts.items())


def ncv_dry(hhv: float, hydrogen: float, oxygen_nitrogen: float, values: Values) -> float:
    """Net calorific value [MJ/kg dry] at constant pressure (form of ISO 18125).

    `hhv` [MJ/kg dry], `hydrogen` and `oxygen_nitrogen` (together) [% of dry mass].
    """
    return hhv - values["climate.net.hydrogen"] * hydrogen - values["climate.net.oxygen_nitrogen"] * oxygen_nitrogen


def ncv_received(ncv_dry_mj_kg: float, moisture_pct: float, values: Values) -> float:
    """Net calorific value [MJ/kg as received] at a moisture [% of wet mass] (form of ISO 18125)."""
    return ncv_dry_mj_kg * (1 - moisture_pct / _PERCENT) - values["climate.net.water"] * moisture_pct


def open_burning_kg(residue_kg: float, crop: str, gas: str, values: Values, estimate: Estimate = "likely") -> float:
    """Kilograms of a gas from burning `residue_kg` [dry kg] in the field (IPCC 2006 Volume 4, equation 2.27).

    Mass times combustion factor times emission factor; `gas`: 'co2', 'ch4', 'n2o', 'co' or 'pm25'.
    """
    factor = values.pick(f"climate.open.{gas}_g_kg", estimate) / _G_A_KG
    return residue_kg * values.pick(combustion_name(crop, values), estimate) * factor


def combustion_name(crop: str, values: Values) -> str:
    """Name of the combustion factor of a crop."""
    own = f"climate.open.combustion.{crop}"
    return own if own in values else "climate.open.combustion.other"


def kiln_kg(
    char_kg: float, moisture: float, gas: str, kiln: str, values: Values, estimate: Estimate = "likely"
) -> float:
    """Kilograms of a gas that the barrels give off making `char_kg` [kg] from feed of a moisture [share, wet basis].

    `gas`: 'ch4', 'co', 'pm' or 'n2o'. Feed that is not dry never takes the factor of dry feed.
    """
    name = f"climate.kiln.{kiln}.n2o_g_kg" if gas == "n2o" else _kiln_name(kiln, feed_state(moisture, values), gas)
    return char_kg * values.pick(name, estimate) / _G_A_KG


def feed_state(moisture: float, values: Values) -> str:
    """'dry', 'damp' or 'wet', from moisture [share, wet basis]."""
    if moisture <= values["safety.dry_feed_share"] + 1e-9:
        return "dry"
    return "damp" if moisture <= values["climate.feed.wet_share"] + 1e-9 else "wet"


def co2_equivalent(ch4_kg: float, n2o_kg: float, edition: str, values: Values) -> float:
    """Kilograms of CO2 equivalent over 100 years; methane of biological origin."""
    return ch4_kg * values[f"climate.gwp.{edition}.ch4"] + n2o_kg * values[f"climate.gwp.{edition}.n2o"]


def fuel_burnt_kg(fuel_kg: float, fuel: str, gas: str, values: Values, estimate: Estimate = "likely") -> float:
    """Kilograms of a gas ('co2', 'ch4', 'n2o') from burning `fuel_kg` of 'firewood' or 'charcoal' at home.

    Mass times net calorific value times the factor of IPCC 2006 Volume 2, Table 2.5.
    """
    energy_tj = fuel_kg * values[f"climate.{fuel}.ncv_mj_kg"] / _MJ_A_TJ
    return energy_tj * values.pick(f"climate.{fuel}.{gas}_kg_tj", estimate)


def season_climate(works: Works, settings: Settings, values: Values) -> Climate:
    """Energy and air of a season's work."""
    choice = settings.climate
    feed = _feed(works, values)
    used: set[str] = {"safety.dry_feed_share", "climate.feed.wet_share"}
    energy = _energy(works, choice.fuel_displaced, values, used)
    rows: dict[str, dict[Estimate, float]] = {
        name: dict.fromkeys(ENDS, 0.0)
        for name in ("open_burning_avoided", "fuel_displaced", "barrels_own", "power")
    }  # fmt: skip
    smoke: dict[str, dict[Estimate, float]] = {
        name: dict.fromkeys(ENDS, 0.0) for name in ("co_avoided", "co_own", "particles_avoided", "particles_own")
    }
    used |= {f"climate.gwp.{choice.gwp}.ch4", f"climate.gwp.{choice.gwp}.n2o", "climate.open.burnt_share"}
    used |= {f"climate.open.{gas}_g_kg" for gas in ("ch4", "n2o", "co", "pm25")}
    for (crop, residue), row in feed.iterrows():
        used |= {combustion_name(str(crop), values), f"crop.{crop}.{residue}.moisture_ready"}
        used |= {_kiln_name(choice.kiln, str(row["state"]), gas) for gas in ("ch4", "co", "pm")}
        for end in ENDS:
            burnt = float(row["field_kg"]) * values.pick("climate.open.burnt_share", end)
            own = {
                gas: kiln_kg(float(row["char_kg"]), float(row["moisture"]), gas, choice.kiln, values, end)
                for gas in ("ch4", "n2o", "co", "pm")
            }
            open_ = {gas: open_burning_kg(burnt, str(crop), gas, values, end) for gas in ("ch4", "n2o", "co", "pm25")}
            rows["open_burning_avoided"][end] += co2_equivalent(open_["ch4"], open_["n2o"], choice.gwp, values)
            rows["barrels_own"][end] += co2_equivalent(own["ch4"], own["n2o"], choice.gwp, values)
            smoke["co_avoided"][end] += open_["co"]
            smoke["co_own"][end] += own["co"]
            smoke["particles_avoided"][end] += open_["pm25"]
            smoke["particles_own"][end] += own["pm"]
    used.add(f"climate.kiln.{choice.kiln}.n2o_g_kg")
    rows["fuel_displaced"] = _displaced(energy, choice.fuel_displaced, choice.gwp, choice.kiln, values, used)
    if works.workshop is not None:
        power = float(works.workshop.weeks["power_kwh"].sum())
        used.add("climate.power.co2e_kg_kwh")
        rows["power"] = {end: power * values.pick("climate.power.co2e_kg_kwh", end) for end in ENDS}
    rows["net"] = {
        end: rows["open_burning_avoided"][end] + rows["fuel_displaced"][end]
        - rows["barrels_own"][_OPPOSITE[end]] - rows["power"][_OPPOSITE[end]]
        for end in ENDS
    }  # fmt: skip
    return Climate(
        choice.gwp, energy, _table(rows, "kg CO2e"), _table(smoke, "kg"), feed.drop(columns="field_kg"),
        _notes(feed, settings), tuple(sorted(used)),
    )  # fmt: skip


def _feed(works: Works, values: Values) -> pd.DataFrame:
    frame = works.batches.groupby(["crop", "residue"])[["residue_kg", "char_kg"]].sum()
    names = [f"crop.{crop}.{residue}" for crop, residue in frame.index]
    lies = [f"{name}.lies_in_field" not in values or values[f"{name}.lies_in_field"] > 0 for name in names]
    moisture = [values[f"{name}.moisture_ready"] for name in names]
    return frame.assign(
        field_kg=frame["residue_kg"] * pd.Series(lies, index=frame.index, dtype=float),
        moisture=pd.Series(moisture, index=frame.index, dtype=float),
        state=pd.Series([feed_state(m, values) for m in moisture], index=frame.index, dtype=object),
    ).drop(columns="residue_kg")


def _energy(works: Works, fuel: str, values: Values, used: set[str]) -> pd.DataFrame:
    """Char as it is, or as briquettes with their flour where there is a workshop."""
    b = works.batches
    kilos = b.groupby(["crop", "residue"])["char_kg"].sum()
    char = float(kilos.sum())
    flour = 0.0
    if works.workshop is not None:
        used |= {"works.crush.loss_share", "works.flour.moisture", "climate.flour.hhv_mj_kg"}
        flour = float(works.workshop.weeks["flour_kg"].sum()) * (1 - values["works.flour.moisture"])
        kilos = kilos * (1 - values["works.crush.loss_share"])
    used |= {
        "climate.char.hydrogen_pct", "climate.char.oxygen_nitrogen_pct", "climate.char.moisture_pct",
        "climate.net.hydrogen", "climate.net.oxygen_nitrogen", "climate.net.water", "climate.meal.char_kg",
        *(f"crop.{crop}.{residue}.char_hhv_mj_kg" for crop, residue in kilos.index),
    }  # fmt: skip
    rows: dict[str, dict[Estimate, float]] = {"char_kg": dict.fromkeys(ENDS, char)}
    moisture = {end: values.pick("climate.char.moisture_pct", _OPPOSITE[end]) for end in ENDS}
    dry = float(kilos.sum()) + flour
    ncv: dict[Estimate, float] = {}
    for end in ENDS:
        gross = sum(kg * values.pick(f"crop.{c}.{r}.char_hhv_mj_kg", end) for (c, r), kg in kilos.items())
        gross += flour * values.pick("climate.flour.hhv_mj_kg", end)
        mean = gross / dry if dry > 0 else 0.0
        hydrogen = values.pick("climate.char.hydrogen_pct", _OPPOSITE[end])
        other = values.pick("climate.char.oxygen_nitrogen_pct", _OPPOSITE[end])
        net = ncv_dry(mean, hydrogen, other, values) if dry > 0 else 0.0
        ncv[end] = ncv_received(net, moisture[end], values) if dry > 0 else 0.0
    rows["char_ncv_mj_kg"] = ncv
    energy = {end: dry / (1 - moisture[end] / _PERCENT) * ncv[end] for end in ENDS}
    rows["energy_gj"] = {end: energy[end] / _KG_A_T for end in ENDS}
    rows["meals"] = {end: char / values.pick("climate.meal.char_kg", _OPPOSITE[end]) for end in ENDS}
    if fuel != "none":
        stove = f"climate.stove.{fuel}_efficiency"
        used |= {"climate.stove.char_efficiency", stove, f"climate.{fuel}.ncv_mj_kg"}
        # the same food cooked: energy times the char stove's efficiency over the other stove's
        rows[f"{fuel}_kg"] = {
            end: energy[end] * values.pick("climate.stove.char_efficiency", end)
            / values.pick(stove, _OPPOSITE[end]) / values[f"climate.{fuel}.ncv_mj_kg"]
            for end in ENDS
        }  # fmt: skip
    units = {"char_kg": "kg", "char_ncv_mj_kg": "MJ/kg as burnt", "energy_gj": "GJ", "meals": "meals"}
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=list(ENDS))
    return frame.assign(unit=[units.get(name, "kg") for name in frame.index])


def _displaced(
    energy: pd.DataFrame, fuel: str, edition: str, kiln: str, values: Values, used: set[str]
) -> dict[Estimate, float]:
    """What the displaced fuel would have given off; wood that grows again gives no carbon dioxide."""
    if fuel == "none":
        return dict.fromkeys(ENDS, 0.0)
    share = "climate.firewood.not_renewed_share"
    used |= {share, *(f"climate.{fuel}.{gas}_kg_tj" for gas in ("co2", "ch4", "n2o"))}
    out: dict[Estimate, float] = {}
    for end in ENDS:
        kilos = float(energy.loc[f"{fuel}_kg", end])
        gone = values.pick(share, end)
        gas = {g: fuel_burnt_kg(kilos, fuel, g, values, end) for g in ("co2", "ch4", "n2o")}
        out[end] = gas["co2"] * gone + co2_equivalent(gas["ch4"], gas["n2o"], edition, values)
        if fuel == "charcoal":
            # the charcoal was itself made in a kiln, from wood
            used |= {
                "climate.kiln.closed_drum.damp.ch4_g_kg", "climate.kiln.closed_drum.n2o_g_kg",
                "climate.charcoal.wood_kg_per_kg", "climate.firewood.co2_kg_tj", "climate.firewood.ncv_mj_kg",
            }  # fmt: skip
            made = {
                g: kilos * values.pick(f"climate.kiln.closed_drum.{n}", end) / _G_A_KG
                for g, n in (("ch4", "damp.ch4_g_kg"), ("n2o", "n2o_g_kg"))
            }
            wood = kilos * values.pick("climate.charcoal.wood_kg_per_kg", end)
            lost = fuel_burnt_kg(wood, "firewood", "co2", values, end) - gas["co2"]
            out[end] += max(0.0, lost) * gone + co2_equivalent(made["ch4"], made["n2o"], edition, values)
    return out


def _kiln_name(kiln: str, state: str, gas: str) -> str:
    return f"climate.kiln.{kiln}.{state}.{gas}_g_kg"


def _table(rows: Mapping[str, Mapping[Estimate, float]], unit: str) -> pd.DataFrame:
    frame = pd.DataFrame.from_dict({k: dict(v) for k, v in rows.items()}, orient="index", columns=list(ENDS))
    return frame.astype(float).assign(unit=unit)


def _notes(feed: pd.DataFrame, settings: Settings) -> tuple[str, ...]:
    notes = [
        "Carbon dioxide from residue and from wood that grows again is not counted. The ranges are wide because the "
        "published measurements are.",
        f"Warming over 100 years by the potentials of {settings.climate.gwp.replace('_', ' with ').upper()}.",
    ]
    for state in ("damp", "wet"):
        names = _names(feed.index[feed["state"] == state])
        if names:
            notes.append(
                f"Charred {state}, and so with the factors of {state} feed: {names}. Drying it first spares most "
                "of the methane."
            )
    return tuple(notes)


def _names(pairs: Iterable[tuple[str, str]]) -> str:
    return ", ".join(f"{crop} {residue}".replace("_", " ") for crop, residue in pairs)
