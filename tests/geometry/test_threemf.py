"""3MF: the package checks, the strict reader, instances, units and what is refused."""

import io
import zipfile

import pytest

from tests.geometry import shapes
from workers.geometry.errors import MeshRefusedError, MeshTooLargeError, MeshUnsupportedError
from workers.geometry.limits import MIB, MeshLimits
from workers.geometry.load import load_mesh
from workers.geometry.mend import solid_of

BOX = shapes.box(2, 3, 4)
MESH = shapes.mesh_xml(BOX)
ONE = f'<object id="1" type="model">{MESH}</object>'
ITEM = '<item objectid="1"/>'


def read(data, **limits):
    return load_mesh(data, fmt="3mf", unit="inch", limits=MeshLimits(smallest_mm=1e-9, **limits))


# 3MF core specification (ISO/IEC 25422:2025), section 3.4: the six units; inch and foot are exact.
@pytest.mark.parametrize(
    ("unit", "factor"),
    [("micron", 0.001), ("millimeter", 1), ("centimeter", 10), ("inch", 25.4), ("foot", 304.8), ("meter", 1000)],
)
def test_the_file_carries_its_own_unit_and_the_callers_is_passed_over(unit, factor):
    mesh = read(shapes.package(shapes.simple_model(BOX, unit=unit)), largest_mm=1e9)
    assert mesh.extents == pytest.approx([2 * factor, 3 * factor, 4 * factor], rel=1e-6)


def test_items_are_placed_and_mirrored_ones_stay_solid():
    items = (
        '<item objectid="1"/><item objectid="1" transform="1 0 0 0 1 0 0 0 1 10 0 0"/>'
        '<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 -10 0 0"/>'
    )
    solid = solid_of(read(shapes.package(shapes.model_xml(ONE, items))))
    assert solid.volume_mm3 == pytest.approx(3 * 24, rel=1e-6)
    assert (solid.bodies, solid.mended) == (3, ())


def test_components_are_expanded_through_their_transforms():
    group = (
        '<object id="2" type="model"><components><component objectid="1"/>'
        '<component objectid="1" transform="0 1 0 -1 0 0 0 0 1 20 0 0"/></components></object>'
    )
    item = '<item objectid="2" transform="2 0 0 0 2 0 0 0 2 0 0 5"/>'
    mesh = read(shapes.package(shapes.model_xml(ONE + group, item)))
    assert solid_of(mesh).volume_mm3 == pytest.approx(2 * 8 * 24, rel=1e-6)
    assert mesh.vertices.min(axis=0) == pytest.approx([0, 0, 5])
    assert mesh.vertices.max(axis=0) == pytest.approx([40, 6, 13])


def test_a_component_bomb_is_counted_and_not_expanded():
    """Each level doubles the one before: 2^24 instances in a small file."""
    levels = "".join(
        f'<object id="{i}" type="model"><components>'
        f'<component objectid="{i - 1}"/><component objectid="{i - 1}"/></components></object>'
        for i in range(2, 26)
    )
    bomb = shapes.package(shapes.model_xml(ONE + levels, '<item objectid="25"/>'))
    assert len(bomb) < 5_000
    with pytest.raises(MeshTooLargeError, match="16,777,216 instances; the limit is 10,000"):
        read(bomb)


def test_triangles_are_counted_over_all_instances():
    items = ITEM * 9
    with pytest.raises(MeshTooLargeError, match="108 triangles; the limit is 100"):
        read(shapes.package(shapes.model_xml(ONE, items)), triangles=100)


def test_deep_nesting_is_refused():
    chain = "".join(
        f'<object id="{i}" type="model"><components><component objectid="{i - 1}"/></components></object>'
        for i in range(2, 200)
    )
    with pytest.raises(MeshTooLargeError, match="nested too deeply"):
        read(shapes.package(shapes.model_xml(ONE + chain, '<item objectid="199"/>')))


@pytest.mark.parametrize(
    "head",
    [
        '<?xml version="1.0"?><!DOCTYPE model SYSTEM "file:///etc/passwd">',
        '<?xml version="1.0"?><!DOCTYPE m [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>',
        '<?xml version="1.0"?>' + " " * 2_000_000 + '<!DOCTYPE m [<!ENTITY x SYSTEM "http://example.test/">]>',
    ],
)
def test_document_types_and_entities_are_refused(head):
    with pytest.raises(MeshRefusedError, match="DOCTYPE or ENTITY"):
        read(shapes.package(shapes.simple_model(BOX, head=head)))


@pytest.mark.parametrize("encoding", ["UTF-9", "utf-7", "gb18030", "idna"])
def test_an_encoding_that_is_not_known_is_refused(encoding):
    """XML 1.0, 4.3.3: an encoding that a processor cannot read is a fatal error."""
    model = shapes.simple_model(shapes.box(1, 1, 1), head=f'<?xml version="1.0" encoding="{encoding}"?>')
    with pytest.raises(MeshRefusedError):
        read(shapes.package(model))


def test_a_document_type_hidden_in_two_byte_text_is_refused():
    hidden = shapes.simple_model(BOX, head='<?xml version="1.0" encoding="UTF-16"?><!DOCTYPE m>').encode("utf-16")
    with pytest.raises(MeshRefusedError, match="DOCTYPE or ENTITY"):
        read(shapes.package(hidden))


def test_a_zip_bomb_is_refused_by_its_directory():
    bomb = shapes.package(shapes.simple_model(BOX), [("3D/zeros.bin", bytes(12 * MIB))])
    assert len(bomb) < MIB / 10
    with pytest.raises(MeshTooLargeError, match="unpacks to 12"):
        read(bomb, unpacked_bytes=10 * MIB)


def test_a_directory_that_lies_about_a_size_is_refused():
    data = shapes.package(shapes.simple_model(BOX), [("3D/zeros.bin", bytes(12 * MIB))])
    honest, lie = (12 * MIB).to_bytes(4, "little"), (1000).to_bytes(4, "little")
    assert data.count(honest) >= 1
    with pytest.raises(MeshRefusedError, match="zip is damaged"):
        read(data.replace(honest, lie), unpacked_bytes=10 * MIB)


def test_too_many_entries_are_refused():
    extra = [(f"x/{i}.txt", b"") for i in range(30)]
    with pytest.raises(MeshTooLargeError, match="entries; the limit is 20"):
        read(shapes.package(shapes.simple_model(BOX), extra), package_parts=20)


@pytest.mark.parametrize(
    "name", ["../evil.model", "/etc/passwd", "3D/../../up.txt", "C:/win.ini", "3D\\..\\x", "a/../b"]
)
def test_entries_that_leave_the_package_are_refused(name):
    with pytest.raises(MeshRefusedError, match="leaves the package"):
        read(shapes.package(shapes.simple_model(BOX), [(name, b"x")]))


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("name", ["3D/3dmodel.model", "3d/3DMODEL.model"])
def test_an_entry_given_twice_is_refused(name):
    with pytest.raises(MeshRefusedError, match="twice"):
        read(shapes.package(shapes.simple_model(BOX), [(name, b"<model/>")]))


def test_other_packings_are_refused():
    data = shapes.package(shapes.simple_model(BOX), compression=zipfile.ZIP_BZIP2)
    with pytest.raises(MeshUnsupportedError, match="only deflate"):
        read(data)


def test_a_damaged_stream_is_refused():
    data = bytearray(shapes.package(shapes.simple_model(BOX)))
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as z:
        start = z.getinfo("3D/3dmodel.model").header_offset + 60
    data[start : start + 8] = b"\xff" * 8
    with pytest.raises(MeshRefusedError, match="zip is damaged"):
        read(bytes(data))


@pytest.mark.parametrize(
    "space",
    [
        "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02",
        "http://schemas.microsoft.com/3dmanufacturing/slice/2015/07",
        "http://schemas.3mf.io/3dmanufacturing/volumetric/2022/01",
        "http://example.test/unknown",
    ],
)
def test_a_required_extension_that_is_not_supported_is_named(space):
    model = shapes.simple_model(BOX, attributes=f'xmlns:q="{space}" requiredextensions="q"')
    with pytest.raises(MeshUnsupportedError, match=space):
        read(shapes.package(model))


def test_beams_are_refused_even_when_not_required():
    beams = (
        '<b:beamlattice minlength="0.1" radius="0.5"><b:beams><b:beam v1="0" v2="1"/></b:beams></b:beamlattice></mesh>'
    )
    model = shapes.model_xml(
        ONE.replace("</mesh>", beams),
        ITEM,
        attributes='xmlns:b="http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02"',
    )
    with pytest.raises(MeshUnsupportedError, match="beam lattice"):
        read(shapes.package(model))


def test_a_build_without_items_yields_nothing_and_is_refused():
    with pytest.raises(MeshRefusedError, match="nothing to print"):
        read(shapes.package(shapes.model_xml(ONE, "")))


def test_support_objects_are_left_out_and_said():
    other = ONE.replace('id="1" type="model"', 'id="2" type="support"')
    mesh = read(shapes.package(shapes.model_xml(ONE + other, ITEM + '<item objectid="2"/>')))
    assert len(mesh.faces) == 12
    assert "left out" in mesh.notes[0]


# Each breaks a "MUST" of the 3MF core specification (sections 2 to 4).
BROKEN = {
    "no model part": lambda: shapes.package("").replace(b"3D/3dmodel.model", b"3D/3dm0del.model"),
    "model is empty": lambda: shapes.package(""),
    "model is not XML": lambda: shapes.package("vertex vertex"),
    "unclosed element": lambda: shapes.package(shapes.simple_model(BOX).replace("</build>", "")),
    "item names no object": lambda: shapes.package(shapes.model_xml(ONE, '<item objectid="9"/>')),
    "forward reference": lambda: shapes.package(
        shapes.model_xml(
            '<object id="2" type="model"><components><component objectid="1"/></components></object>' + ONE,
            '<item objectid="2"/>',
        )
    ),
    "object that contains itself": lambda: shapes.package(
        shapes.model_xml(
            '<object id="2" type="model"><components><component objectid="2"/></components></object>',
            '<item objectid="2"/>',
        )
    ),
    "same id twice": lambda: shapes.package(shapes.model_xml(ONE + ONE, ITEM)),
    "vertex beyond the list": lambda: shapes.package(shapes.simple_model(BOX).replace('v1="1"', 'v1="800"', 1)),
    "vertex that is no number": lambda: shapes.package(shapes.simple_model(BOX).replace('x="2"', 'x="two"', 1)),
    "vertex that is not finite": lambda: shapes.package(shapes.simple_model(BOX).replace('x="2"', 'x="nan"', 1)),
    "triangle with equal corners": lambda: shapes.package(
        shapes.simple_model(BOX).replace("<triangles>", '<triangles><triangle v1="0" v2="0" v3="1"/>')
    ),
    "unknown unit": lambda: shapes.package(shapes.simple_model(BOX, unit="parsec")),
    "unknown object type": lambda: shapes.package(shapes.simple_model(BOX).replace('type="model"', 'type="fish"')),
    "transform of eleven numbers": lambda: shapes.package(
        shapes.model_xml(ONE, '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 0 0"/>')
    ),
    "mesh without triangles": lambda: shapes.package(
        shapes.simple_model(BOX).replace(MESH, MESH[: MESH.index("<triangles>")] + "</mesh>")
    ),
}


@pytest.mark.parametrize("rule", BROKEN)
def test_a_file_that_breaks_the_specification_is_refused(rule):
    with pytest.raises(MeshRefusedError) as refusal:
        read(BROKEN[rule]())
    assert len(refusal.value.detail) > 20


def test_a_part_spread_over_files_by_the_production_extension_is_read():
    """A valid file of the production extension: the mesh lies in a second model part."""
    space = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
    uuids = [f"{k:08d}-0000-4000-8000-000000000000" for k in range(9)]
    attributes = f'xmlns:p="{space}" requiredextensions="p"'
    other = shapes.model_xml(
        ONE.replace('<object id="1"', f'<object id="1" p:UUID="{uuids[1]}"'), "", attributes=attributes
    )
    group = (
        f'<object id="2" type="model" p:UUID="{uuids[2]}"><components>'
        f'<component objectid="1" p:path="/3D/other.model" p:UUID="{uuids[3]}"/></components></object>'
    )
    root = shapes.model_xml(group, f'<item objectid="2" p:UUID="{uuids[4]}"/>', attributes=attributes)
    root = root.replace("<build>", f'<build p:UUID="{uuids[5]}">')
    rels = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Target="/3D/other.model" Id="rel1" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    extra = [("3D/other.model", other), ("3D/_rels/3dmodel.model.rels", rels)]
    assert solid_of(read(shapes.package(root, extra))).volume_mm3 == pytest.approx(24)
