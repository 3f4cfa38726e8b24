"""Feeds damaged survey files to the intake until something breaks. Needs atheris (pip install atheris).

    python scripts/fuzz_survey.py -max_total_time=120

Anything but a clear refusal, or a clean result in which every row is accounted for, is a defect.
"""

import io
import sys
import tempfile
import zipfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

with atheris.instrument_imports(include=["sourcing"]):
    from sourcing.errors import InputError
    from sourcing.intake.fields import clean_fields
    from sourcing.intake.survey import read_survey
    from sourcing.values import Values
    from tests.surveys import season, square, table

VALUES = Values.load()
FOLDER = Path(tempfile.mkdtemp())
ROWS = [
    {
        "field_id": f"f{i}",
        "village": "A",
        "yield_t_ha": "1,5",
        "area_stated": "2 acre",
        "crop_2": "tur",
        "share_2": "30 %",
    }
    for i in range(3)
]


def seeds():
    """One small good file of each kind, by its ending."""
    frame = table(ROWS)
    out = {}
    plain = frame.drop(columns="geometry").assign(wkt=frame.geometry.to_wkt())
    out[".csv"] = plain.to_csv(index=False).encode()
    book = io.BytesIO()
    plain.to_excel(book, index=False)
    out[".xlsx"] = book.getvalue()
    for ending in (".geojson", ".kml", ".gpkg", ".fgb", ".parquet"):
        path = FOLDER / f"seed{ending}"
        if ending == ".parquet":
            frame.to_parquet(path)
        else:
            frame.to_file(path, driver="LIBKML" if ending == ".kml" else None)
        out[ending] = path.read_bytes()
    points = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in square().exterior.coords)
    out[".gpx"] = f'<gpx version="1.1" creator="x"><trk><trkseg>{points}</trkseg></trk></gpx>'.encode()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("f.csv", out[".csv"])
    out[".zip"] = packed.getvalue()
    return out


SEEDS = seeds()


def one(data: bytes) -> None:
    """Damages one seed as the fuzzer says, and takes it in."""
    source = atheris.FuzzedDataProvider(data)
    ending = source.PickValueInList(sorted(SEEDS))
    body = bytearray(SEEDS[ending])
    for _ in range(source.ConsumeIntInRange(0, 6)):
        at = source.ConsumeIntInRange(0, max(len(body) - 1, 0))
        act = source.ConsumeIntInRange(0, 2)
        if act == 0:
            body[at : at + 1] = source.ConsumeBytes(source.ConsumeIntInRange(0, 8))
        elif act == 1:
            del body[at : at + source.ConsumeIntInRange(1, 64)]
        else:
            body[at:at] = source.ConsumeUnicode(8).encode("utf-8", "surrogatepass")
    name = f"f{ending}"
    (FOLDER / name).write_bytes(bytes(body))
    fixed = {"crop": "maize", "harvest_end": "2027-05-10"} if ending == ".gpx" else {}
    settings = season(layers={"fields": {"file": name, "fixed": fixed}})
    try:
        fields = clean_fields(read_survey(FOLDER, settings), settings, VALUES)
    except InputError as exc:
        if not all(f.remedy and f.found for f in exc.findings):
            raise RuntimeError("a refusal without a remedy") from exc
        return
    counts = fields.counts
    assert counts["rows"] == counts["kept"] + counts["mended"] + counts["set_aside"]
    assert len(fields.frame) + len(fields.set_aside) == counts["rows"]


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
