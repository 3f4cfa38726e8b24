"""A whole plan folder, written: every file that a plan consists of, whole or not at all."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from sourcing.intake.keep import INPUTS_FILE, RECORD_FILE, keep_inputs
from sourcing.outputs.exports import message, write_gpx, write_kml
from sourcing.outputs.folder import new_plan_folder
from sourcing.outputs.maps import write_map
from sourcing.outputs.pagemaps import land_of
from sourcing.outputs.programme import programme
from sourcing.outputs.sheets import write_sheets
from sourcing.outputs.tables import LAYERS_FILE, write_layers, write_record, write_workbook
from sourcing.outputs.weekpicture import scene_of, telling_week, write_week_picture
from sourcing.plan import Plan


def write_plan(planned: Plan, folder: Path, made_at: datetime) -> tuple[Path, str]:
    """Writes a plan into a new folder under the season's plans.

    Returns that folder, and in words why it does not keep what it was made from ('' where it does). Raises OutputError
    when it cannot be written; nothing is left behind then.
    """
    with new_plan_folder(folder, made_at) as target:
        write_record(planned, target.work / RECORD_FILE)
        write_layers(planned, target.work / LAYERS_FILE)
        write_workbook(planned, target.work / "plan.xlsx")
        write_map(planned, target.work / "map.html")
        write_sheets(planned, target.work / "sheets.pdf", planned.settings.outputs.paper)
        scene = scene_of(programme(planned), land_of(planned))
        week = telling_week(scene, made_at.date())
        write_week_picture(scene, week, target.work / f"week-{planned.calendar.label(week)}.png")
        write_gpx(planned, target.work / "places.gpx")
        write_kml(planned, target.work / "plan.kml")
        (target.work / "message.txt").write_text(message(planned) + "\n", encoding="utf-8")
        why_not = keep_inputs(
            folder, planned.settings, planned.survey.inputs, target.work / INPUTS_FILE, planned.fields.source
        )
    return target.final, why_not
