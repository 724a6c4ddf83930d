"""`borewright summarise`: the summary as JSON that the API takes, the picture, and one sentence for a refusal."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from service import cli
from tests.geometry import shapes


@pytest.fixture
def plate(tmp_path: Path) -> Path:
    file = tmp_path / "plate.stl"
    file.write_bytes(shapes.stl(shapes.strips([0.3, 0.9])))
    return file


def test_the_summary_printed_can_be_posted_as_it_is(plate, capsys, api):
    assert cli.main(["summarise", str(plate)]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert (printed["extent_x_mm"], printed["extent_z_mm"]) == (14, 5)
    made = api.post("/v1/parts", {"summary": printed})
    assert made.status_code == 201
    assert api.get(made.json["location"]).json["summary"] == printed


def test_the_unit_is_the_one_that_was_named(plate, capsys):
    assert cli.main(["summarise", str(plate), "--unit", "cm", "--format", "stl"]) == 0
    assert json.loads(capsys.readouterr().out)["extent_x_mm"] == 140


def test_the_picture_shows_what_each_bore_loses(plate, tmp_path, capsys):
    picture = tmp_path / "worst.svg"
    assert cli.main(["summarise", str(plate), "--picture", str(picture)]) == 0
    root = ET.fromstring(picture.read_text("utf-8"))
    words = " ".join(root.itertext())
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "Bead 0.4 mm: 1 lost" in words  # the rib of 0.3 mm
    assert "Bead 1 mm: 2 lost" in words  # both ribs


@pytest.mark.parametrize(
    ("content", "arguments", "code", "said"),
    [
        (b"words", [], 1, "none of the mesh formats"),
        (b"", [], 1, "empty"),
        (None, [], 2, "cannot be read"),
        (shapes.stl(shapes.box(1, 2, 3)), ["--picture", "/no/such/folder/x.svg"], 2, "cannot be written"),
        (shapes.stl(shapes.box(1, 2, 3)), ["--format", "obj"], 1, "declared as obj"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(tmp_path, capsys, content, arguments, code, said):
    file = tmp_path / "part"
    if content is not None:
        file.write_bytes(content)
    assert cli.main(["summarise", str(file), *arguments]) == code
    out, err = capsys.readouterr()
    assert (out, len(err.strip().splitlines())) == ("", 1)
    assert said in err


def test_a_limit_of_the_settings_holds_here_too(plate, capsys, monkeypatch):
    monkeypatch.setenv("BOREWRIGHT_UPLOAD_LIMIT_BYTES", "1024")
    file = plate.with_name("large.stl")
    file.write_bytes(shapes.stl(shapes.torus(20, 5)))
    assert cli.main(["summarise", str(file)]) == 1
    assert "limit is 0.000976562 MiB" in capsys.readouterr().err
