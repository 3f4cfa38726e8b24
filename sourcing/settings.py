"""What the planner decides for one season: `season.toml` read into frozen, checked objects.

Each option has its default, its meaning and its unit here and nowhere else; the commented file that
`sourcing start` writes and the table that `sourcing settings` prints are generated from these classes. Unknown
keys are refused. Numbers of the trade (payloads, speeds, ratios, prices, setbacks) are not here: they are figures
in `sourcing/data`, and a season overrides them under `[values]`.
"""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import parse_qs, urlsplit

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from sourcing.errors import Finding, InputError

Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Count = Annotated[int, Field(ge=0)]

SEASON_FILE = "season.toml"


class Section(BaseModel):
    """A group of options: frozen, unknown keys refused, help taken from the docstrings."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True, allow_inf_nan=False)


class SeasonSettings(Section):
    """The season itself."""

    name: str = "Season"
    """Name of the season, shown on every output."""
    region: str = "none"
    """Which built-in crop calendar to use where a field gives no dates: 'southern_africa', 'semi_arid_india',
    'west_africa' or 'none'. `sourcing values calendar` lists them."""
    first_day: date | None = None
    """First day planned; left out, the first week in which any residue is ready."""
    last_day: date | None = None
    """Last day planned; left out, the last week in which any residue is still there."""
    language: str = "en"
    """Language of maps and sheets: the name of a word file in sourcing/data/words."""
    currency: str = "units"
    """Name of the currency, shown beside every amount."""


class Layer(Section):
    """A file of places, lines or areas, and how its columns are called."""

    file: str
    """Path of the file, from the season folder. Any vector file GDAL reads (GeoPackage, Shapefile also zipped, GeoJSON,
    FlatGeobuf, KML, KMZ, GPX …), GeoParquet, or CSV and spreadsheets with WKT, XForms geoshape text, or longitude and
    latitude; areas without a shape are placed at their village."""
    layer: str = ""
    """Name of the layer, sheet or folder inside the file; left out, the first."""
    crs: str = ""
    """Coordinate reference system, such as 'EPSG:32644'; only for files that do not say it themselves."""
    columns: dict[str, str] = {}
    """Which of the file's columns holds what: our name = "their name". Nobody renames columns to use the tool."""
    fixed: dict[str, str] = {}
    """What is the same for every row and stands in no column: crop = "cotton"."""
    units: dict[str, str] = {}
    """Unit of a column where its heading does not say it: area_stated = "acre". `sourcing values unit` lists units."""


class NoGoLayer(Layer):
    """Ground on or near which no barrel may stand."""

    kind: str
    """What it is: 'house', 'thatch', 'standing_crop', 'forest', 'water', 'road', 'other'. Sets the distance kept,
    from the figures site.setback.KIND.distance_m."""
    distance_m: NotNegative | None = None
    """Distance to keep [m], where local rules ask for more than the published figure; never less is used."""


class LayersSettings(Section):
    """The files of the season. Only `fields` is needed."""

    fields: Layer
    """The surveyed fields: areas with village, crop, and what else is known (see `sourcing settings columns`)."""
    villages: Layer | None = None
    """Village points (name); left out, the middle of each village's fields."""
    paths: Layer | None = None
    """Paths and tracks as lines; left out, straight lines times the detour factor, and every output says so."""
    places: Layer | None = None
    """Places where barrels could stand, as points (threshing floors, open ground); left out, places are proposed."""
    no_go: list[NoGoLayer] = []
    """Ground to stay away from, each with its kind."""
    barriers: Layer | None = None
    """Rivers, fences, walls: lines that nobody crosses off the path."""
    background: list[Layer] = []
    """Lines or areas to draw behind the map, nothing else."""
    workshop: Layer | None = None
    """Points where char is pressed; left out, none is planned."""
    elevation: str = ""
    """Elevation raster (any GDAL raster); left out, the ground counts as flat and every output says so."""
    climate: str = ""
    """Table of weeks with humidity, temperature, rain and wind; left out, drying days from the figures."""
    gates: Layer | None = None
    """Gates of fields, as points; left out, a field may be left anywhere on its edge. A field with gates is left only
    through them."""
    waste_points: Layer | None = None
    """Points with a steady flow of residue (a mill's husk heap), with residue and tonnes a week."""


class CropSettings(Section):
    """What differs for one crop this season."""

    yield_t_ha: Positive | None = None
    """Yield of the product at field weight [t/ha], where a field gives none."""
    yield_counts: str = ""
    """What the yield counts where it is not the product at field weight: 'milled' (rice), 'lint' (cotton), 'kernel'
    (groundnut), 'copra' (coconut), 'ear' (maize). It is then brought to field weight, and the plan says so."""
    harvest_start: str = ""
    """First day of harvest, MM-DD."""
    harvest_end: str = ""
    """Last day of harvest, MM-DD."""
    clear_by: str = ""
    """Last day the residue may lie in the field, MM-DD (sowing, burning or grazing follows)."""


class VillageUse(Section):
    """What a village itself says it needs of a residue; in place of the figures crop.CROP.RESIDUE.fodder_share,
    fuel_share and thatch_share. Shares of what is taken off the field [0-1]; together at most 1.
    """

    village: str = ""
    """Village, by its id; left out, all villages."""
    crop: str = ""
    """Crop, by our name; left out, all crops."""
    residue: str = ""
    """Residue, by our name; left out, all residues."""
    fodder: Share | None = None
    """Share eaten by animals [0-1]."""
    fuel: Share | None = None
    """Share burnt in the household [0-1]."""
    thatch: Share | None = None
    """Share for thatch, fences and mats [0-1]."""


class SupplySettings(Section):
    """From fields to residue by week."""

    estimate: Literal["low", "likely", "high"] = "likely"
    """Which end of every published range is used for the plan."""
    ratio_method: Literal["ratio", "ipcc_2006", "ipcc_2019"] = "ratio"
    """How residue follows from yield: the crop's residue-to-product ratio, or an IPCC relation. Sources differ by a
    factor of two; `sourcing supply` shows what each would give."""
    ground_cover: Annotated[float, Field(ge=0, lt=1)] = 0.3
    """Share of the ground to be left covered by residue [0-1); 0 to leave none for cover."""
    cover_at: Literal["harvest", "sowing"] = "harvest"
    """When the ground must be covered: 'sowing' leaves more, for what decays until then (a third, or with termites
    most of it)."""
    village_uses: list[VillageUse] = []
    """What villages say they need for fodder, fuel and thatch."""
    residues: list[str] = []
    """Only these residues are collected, such as 'cotton/stalk'; left out, all of them."""
    not_collected: list[str] = []
    """These residues are left alone."""
    default_share_promised: Share = 1.0
    """Share of the free residue that a household gives where the survey does not say [0-1]."""
    needs_consent: bool = True
    """Fields whose survey says 'no' to consent are set aside; with false the column is not looked at."""
    collection_weeks: Annotated[int, Field(ge=1)] = 8
    """Weeks after readiness in which residue may be charred, where no clear-by day is known [weeks]."""
    surveyed: dict[str, Annotated[float, Field(gt=0, le=1)]] = {}
    """Share of a village's farmland that the survey covers, by village id: "KOU" = 0.6 (0-1]."""
    estimate_unsurveyed: bool = False
    """Estimate the residue of a village's unsurveyed fields too; shown apart from surveyed residue everywhere."""


class CarryingSettings(Section):
    """From field to site."""

    modes: list[str] = ["head_load", "handcart", "bicycle"]
    """Ways of carrying that the villages have. `sourcing values carry` lists them."""
    max_distance_m: Positive = 1500.0
    """Farthest a load is carried, one way [m], the way inside the field included. Climbs and ground off the path count
    as the metres of level path that take as long."""
    max_cost_per_kg: Positive | None = None
    """Dearest carrying worth considering [currency a dry kg]; left out, only the distance bounds it."""
    detour_factor: Annotated[float, Field(ge=1)] = 1.4
    """Path length over straight line where no paths are given."""
    snap_m: NotNegative = 5.0
    """Path ends closer together than this are joined [m]; each join is reported."""
    off_path_m: NotNegative = 400.0
    """Farthest that a field's edge or a site may lie from the path [m]."""
    walking: Literal["tobler", "naismith_langmuir", "irmischer_clarke"] = "tobler"
    """How slope changes walking speed; used where an elevation raster is given."""
    elevation_step_m: Positive = 20.0
    """Distance between the points along a path at which its height is read [m]."""
    elevation_smooth_m: NotNegative = 30.0
    """Heights are averaged over about this distance before slopes are taken [m]; 0 for none. Rasters are rough: half
    a metre up and down between neighbouring cells would count as a climb."""


class SitesSettings(Section):
    """Where barrels may stand."""

    spacing_m: Positive = 350.0
    """Least distance between proposed places [m]."""
    most_places: Annotated[int, Field(ge=1)] = 400
    """Most proposed places; those with the most residue near are kept."""


class FleetSettings(Section):
    """The barrels."""

    barrels: Annotated[int, Field(ge=1)] = 40
    """Barrels in the fleet."""
    barrels_from: dict[date, Count] = {}
    """Barrels from a day on, where the fleet changes during the season: day = count."""
    least_at_site: Annotated[int, Field(ge=1)] = 1
    """Fewest barrels worth setting up at a site in a week."""
    most_at_site: Annotated[int, Field(ge=1)] = 6
    """Most barrels side by side at one site."""
    busy_floor: Share = 0.5
    """Barrels that stand at a site are in use at least this share of their working hours [0-1]."""
    several: Annotated[int, Field(ge=1)] = 3
    """A site counts as keeping several barrels busy in a week with at least this many of them."""
    hours_a_day: Positive = 8.0
    """Working hours a day [h]."""
    day_starts: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] = "07:00"
    """When crews come to the barrels [hh:mm]; the sheets' clock times follow from it."""
    days_a_week: Annotated[float, Field(gt=0, le=7)] = 6.0
    """Working days a week."""
    days_in_week: dict[str, Annotated[float, Field(ge=0, le=7)]] = {}
    """Working days in particular weeks (rain, feasts): '2027-W18' = 3."""


class PlacementSettings(Section):
    """What the best plan is, and within what."""

    goal: Literal["margin", "char", "clear"] = "margin"
    """margin: most money left; char: most char; clear: the wished share of residue charred at least cost."""
    clear_share: Share = 0.8
    """Share of all residue to clear with goal 'clear' [0-1]."""
    gap: Annotated[float, Field(gt=0, lt=1)] = 0.005
    """Stop when the plan is proven to be within this share of the best possible."""
    seconds: Positive = 60.0
    """Stop after this long with the best plan so far [s]. On a usual laptop the search ends by itself a little before,
    and then the same season gives the same plan again, however busy the computer is. A district or state planned in
    tiles wants about 6 s for each thousand fields."""
    seed: int = 1
    """Seed of the optimiser's own choices; another one gives another plan, about as good."""


class MovesSettings(Section):
    """Bringing barrels to sites. What a move costs are figures: money.barrel_move_cost within a village,
    money.barrel_village_move_cost on top of it from elsewhere.
    """

    charge: bool = False
    """Whether moves cost money in the plan."""
    most_a_week: Count | None = None
    """Most barrels that can be brought to sites in a week; left out, any number."""
    stay_weeks: Annotated[int, Field(ge=1)] = 1
    """Weeks that a barrel brought to a site stays there at least [weeks]."""


class VillagesSettings(Section):
    """Which villages get barrels. What a village costs (training, stay, store) is a figure,
    money.village_deploy_cost.
    """

    charge: bool = False
    """Whether deploying to a village costs money in the plan."""
    use: list[str] = []
    """Villages that must get barrels, by name or id."""
    leave_out: list[str] = []
    """Villages that must not."""
    least: Count = 0
    """Fewest villages with barrels."""
    most: Count | None = None
    """Most villages with barrels; left out, any number."""
    fair_share: Share = 0.0
    """Share of each village's own free residue that must be collected at least [0-1]."""


class CrewSettings(Section):
    """People's hours for carrying and for tending barrels, by the village of the site."""

    hours_a_week: NotNegative | None = None
    """Worker hours that each village offers a week [h]; left out, as many as the plan wants."""
    villages: dict[str, NotNegative] = {}
    """Worker hours a week of particular villages [h]: "veshmarra" = 300."""


class WaterSettings(Section):
    """Quench water."""

    litres_a_week: NotNegative | None = None
    """Water that can be had at each site in a week [l]; left out, enough."""
    villages: dict[str, NotNegative] = {}
    """Water at each site of particular villages [l a week]."""
    comes_from: dict[str, str] = {}
    """Where quench water comes from in particular villages, as the sheets shall say it: "veshmarra" = "the ford below
    the mill". Elsewhere it is works.water_from."""


class Fixed(Section):
    """What the planner fixes for some weeks: barrels at a site, or of a village in all."""

    site: str = ""
    """Site, by its id."""
    village: str = ""
    """Village, by name or id: its barrels in all, at whichever of its sites."""
    first_day: date
    """First day of it."""
    last_day: date
    """Last day of it."""
    least: Count = 0
    """Fewest barrels in these weeks."""
    most: Count | None = None
    """Most barrels in these weeks; 0 forbids them."""


class WishesSettings(Section):
    """What the planner has decided beforehand."""

    sites_use: list[str] = []
    """Sites that must be used, by id."""
    sites_leave_out: list[str] = []
    """Sites that must not be used, by id."""
    sites_least: Count = 0
    """Fewest sites."""
    sites_most: Count | None = None
    """Most sites; left out, any number."""
    budget: NotNegative | None = None
    """Most money that may be spent on carrying, crews, opening, deploying, standing, moving and hauling [currency]."""
    fixed: list[Fixed] = []
    """Barrels fixed or forbidden for some weeks."""


class WorksSettings(Section):
    """The work at the barrels and at the workshop."""

    ending: Literal["quench", "seal"] = "quench"
    """How a batch ends: 'quench' with water and empty at once, or 'seal' the barrel and leave it until it is cold."""
    ending_by_residue: dict[str, Literal["quench", "seal"]] = {}
    """Residues that end otherwise: "cotton/stalk" = "seal"."""
    tenders_at_site: Annotated[int, Field(ge=1)] = 2
    """People who tend the barrels of one site. Sealing needs two; nobody should ever be alone at the fire."""
    crew_paid: Literal["by_kilo", "by_week"] = "by_week"
    """How tenders are paid: 'by_kilo' charred, as if every site were full; or 'by_week', all of a site's tenders for
    all working hours of every week in which it has a barrel, so that plans draw barrels together."""
    times: Literal["steady", "varying"] = "steady"
    """'steady': every batch takes its time to the minute; 'varying': times differ from batch to batch and barrels queue
    for a tender (finite-source queue, the cautious end)."""
    water_from: str = ""
    """Where quench water comes from, as the sheets shall say it: "pond behind the school"."""
    haul_mode: str = "handcart"
    """How char goes from the sites to the workshop: a way of carrying, as in `carrying.modes`."""
    presses: dict[str, Count] = {}
    """Presses at hand, kind = count ("hand" = 4, "small_electric" = 1, "large_electric" = 1); left out, the cheapest
    whole number of presses that finishes in time is worked out."""
    press_weeks_after: Count = 6
    """Weeks after the last char in which pressing may go on, where presses are worked out [weeks]."""
    limits_plan: bool = False
    """Whether the presses at hand limit how much char the plan makes: what they cannot press waits in the store."""
    char_store_kg: NotNegative = 2000.0
    """Char that the workshop's store can hold over from week to week [kg], where the presses limit the plan; the last
    day's char, which still cools, is not counted."""
    sales_kg_a_week: NotNegative = 0.0
    """Most briquettes the market takes a week [kg]; 0: all that are ready."""


class MoneySettings(Section):
    """Cash and who shares it. Prices and wages are figures: see `sourcing values money`."""

    opening_cash: NotNegative = 0.0
    """Cash in hand before the season [currency]."""
    buy_barrels: bool = False
    """True: as many barrels as ever stand at once are bought in the first week; false: they are there already."""
    buy_presses: bool = False
    """True: the presses are bought in the first week of pressing; false: they are there already."""
    paid_after_weeks: Count = 0
    """Weeks between a sale to the outside and its money [weeks]."""
    fields_a_household: Positive = 1.0
    """Surveyed fields of one household; what a household earns follows from it."""


class ClimateSettings(Section):
    """Energy and what the air is spared and given."""

    gwp: Literal["ar4", "ar5", "ar5_feedback", "ar6"] = "ar6"
    """Which edition of the 100-year global warming potentials is used."""
    kiln: Literal["flame_curtain", "closed_drum"] = "flame_curtain"
    """How the barrels burn, for their own emissions: open at the top under a curtain of flame, or closed like a drum
    kiln that smokes."""
    fuel_displaced: Literal["firewood", "charcoal", "none"] = "firewood"
    """What the char or the briquettes are burnt instead of."""


class StressSettings(Section):
    """Replaying the season against rain, yields, surveys and people, the placement held."""

    replays: Annotated[int, Field(ge=1)] = 1000
    """How many seasons are replayed."""
    seed: int = 1
    """Seed of the chances, so that a run can be repeated."""
    firm: Share = 0.8
    """A site is called firm when the chance of keeping its barrels busy, over its weeks, is at least this [0-1]."""
    likely: Share = 0.5
    """A site is called likely from this chance on, and doubtful below it [0-1]."""


class MapSettings(Section):
    """The season map."""

    tiles_url: Annotated[str, Field(pattern=r"^(https://[^/?#]+/.+)?$")] = ""
    """Address of online map tiles, such as 'https://tiles.example.org/{z}/{x}/{y}.png'. They are fetched only when a
    reader ticks them on the map; left out, the map can ask for nothing at all."""
    tiles_credit: str = ""
    """Who made those tiles, shown while they are."""


class OutputsSettings(Section):
    """What a plan folder holds."""

    paper: Literal["A4", "A3"] = "A4"
    """Paper of the printed sheets."""
    keep_inputs: bool = True
    """Whether each plan folder keeps the season and the survey's files it was made from (inputs.zip), so that it can be
    made again and compared in full. They are kept as they are, with all their columns: names of people too."""
    keep_most_mb: Positive = 200.0
    """Files that are larger together are not kept [MB]; the plan then says so."""


class HistorySettings(Section):
    """The surveys accepted one after another (`sourcing accept`), from which the fields of today are known."""

    plan_from: Literal["history", "files"] = "history"
    """history: once a survey was accepted, plans are made from the fields of today; files: plans are always made from
    the survey's file. Each plan says which it was."""
    database: str = ""
    """Left out, surveys are kept in history.sqlite in the season folder. A team that shares them names its PostgreSQL
    database with PostGIS: 'postgresql://user@host/database'. The password stays out of it (PGPASSWORD or ~/.pgpass).
    The tables are in a schema named after the season, or in the one that '?schema=NAME' at the end names."""

    @field_validator("database")
    @classmethod
    def _address(cls, address: str) -> str:
        parts = urlsplit(address)
        if address and (parts.scheme not in ("postgresql", "postgres") or not parts.path.strip("/")):
            raise ValueError("an address such as postgresql://user@host/database")
        if parts.password is not None or "password" in parse_qs(parts.query):
            raise ValueError("an address without its password, which belongs into PGPASSWORD or ~/.pgpass")
        return "postgresql" + address.removeprefix(parts.scheme) if address else ""


class Settings(Section):
    """A whole season."""

    season: SeasonSettings = SeasonSettings()
    layers: LayersSettings
    crop_names: dict[str, str] = {}
    """The survey's crop words or codes and ours: "MIS" = "maize". '-' means: not a crop, set aside."""
    crops: dict[str, CropSettings] = {}
    """What differs for a crop this season, by our crop name."""
    supply: SupplySettings = SupplySettings()
    carrying: CarryingSettings = CarryingSettings()
    sites: SitesSettings = SitesSettings()
    fleet: FleetSettings = FleetSettings()
    placement: PlacementSettings = PlacementSettings()
    moves: MovesSettings = MovesSettings()
    villages: VillagesSettings = VillagesSettings()
    crew: CrewSettings = CrewSettings()
    water: WaterSettings = WaterSettings()
    wishes: WishesSettings = WishesSettings()
    works: WorksSettings = WorksSettings()
    money: MoneySettings = MoneySettings()
    climate: ClimateSettings = ClimateSettings()
    stress: StressSettings = StressSettings()
    map: MapSettings = MapSettings()
    outputs: OutputsSettings = OutputsSettings()
    history: HistorySettings = HistorySettings()
    values: dict[str, float] = {}
    """Figures of the trade that this season knows better: "carry.head_load.payload_kg" = 18."""
    values_file: str = ""
    """A CSV of figures that replace the built-in ones, with the columns of `sourcing values --csv`."""


def parse_settings(text: str, file: str = SEASON_FILE) -> Settings:
    """Settings from the text of a season file. Raises InputError with every fault at once."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise InputError(
            [
                Finding(
                    "refused",
                    file,
                    None,
                    "not_toml",
                    f"the file cannot be read as TOML: {exc}",
                    "TOML text",
                    "mend the line named",
                )
            ]
        ) from exc
    return settings_from(raw, file)


def settings_from(raw: dict[str, Any], file: str = SEASON_FILE) -> Settings:
    """Settings from plain values. Raises InputError with every fault at once."""
    try:
        return Settings.model_validate(raw)
    except ValidationError as exc:
        raise InputError([_finding(file, error) for error in exc.errors()]) from exc


def read_settings(folder: Path) -> Settings:
    """Settings of a season folder. Raises InputError when the file is missing or faulty."""
    path = folder / SEASON_FILE
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (FileNotFoundError, NotADirectoryError) as exc:
        raise InputError(
            [
                Finding(
                    "refused",
                    str(path),
                    None,
                    "no_season_file",
                    "there is no such file",
                    f"a season folder that holds {SEASON_FILE}",
                    f"make one with: sourcing start {folder}",
                )
            ]
        ) from exc
    except UnicodeDecodeError as exc:
        raise InputError(
            [
                Finding(
                    "refused",
                    str(path),
                    None,
                    "not_utf8",
                    "the file is not UTF-8 text",
                    "UTF-8 text",
                    "save it as UTF-8 in your editor",
                )
            ]
        ) from exc
    return parse_settings(text, SEASON_FILE)


def _finding(file: str, error: Any) -> Finding:
    where = ".".join(str(part) for part in error["loc"])
    if error["type"] == "extra_forbidden":
        return Finding(
            "refused", file, None, "unknown_option", f"there is no option '{where}'",
            "a known option", "see: sourcing settings",
        )  # fmt: skip
    if error["type"] == "missing":
        return Finding(
            "refused", file, None, "missing_option", f"'{where}' is missing", "a value for it", "see: sourcing settings"
        )
    return Finding(
        "refused", file, None, "bad_option", f"'{where}' is {error.get('input')!r}",
        error["msg"].removeprefix("Input should be "), "see: sourcing settings",
    )  # fmt: skip
