"""Reading meshes: what is read, in which unit, and what is refused with which words."""

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.errors import MeshRefusedError, MeshTooLargeError, MeshTypeError, MeshUnsupportedError
from workers.geometry.limits import UNIT_MM, MeshLimits
from workers.geometry.load import load_mesh
from workers.geometry.mend import solid_of
from workers.geometry.mesh import merged
from workers.geometry.summary import summarise
from workers.model.errors import InvalidError
from workers.model.part import Trust

PART = shapes.plate_with_holes([(6.0, 20.0, 20.0)])
FILES = {
    "stl": shapes.stl(PART),
    "ascii stl": shapes.ascii_stl(PART),
    "obj": shapes.obj(PART),
    "off": shapes.off(PART),
    "ply": shapes.ply(PART),
    "binary ply": shapes.ply(PART, binary=True),
    "3mf": shapes.package(shapes.simple_model(PART)),
}


@pytest.mark.parametrize("name", FILES)
def test_every_format_gives_the_same_solid(name):
    declared = name.split()[-1]
    for fmt in (declared, declared.upper(), "." + declared, None):
        mesh = load_mesh(FILES[name], fmt=fmt, unit="mm")
        assert solid_of(mesh).volume_mm3 == pytest.approx(PART.volume(), rel=1e-6)


@pytest.mark.parametrize(("unit", "factor"), UNIT_MM.items())
def test_the_unit_scales_to_millimetres(unit, factor):
    small = shapes.stl(shapes.box(0.5, 0.25, 0.125))
    mesh = load_mesh(small, fmt="stl", unit=unit, limits=MeshLimits(smallest_mm=1e-6))
    assert mesh.extents == pytest.approx([0.5 * factor, 0.25 * factor, 0.125 * factor])


def test_an_unknown_unit_is_named():
    with pytest.raises(InvalidError, match="furlong"):
        load_mesh(FILES["stl"], fmt="stl", unit="furlong")


@pytest.mark.parametrize("extent", [0.5, 2_000.0])
def test_an_unusual_size_is_a_hint_and_never_a_rescale(extent):
    mesh = load_mesh(shapes.stl(shapes.box(extent, extent, extent)), fmt="stl", unit="mm")
    assert mesh.extents == pytest.approx([extent] * 3)
    assert mesh.notes == ()
    assert "is the unit right?" in mesh.hints[0]


@pytest.mark.parametrize(("extent", "noted"), [(0.99, True), (1.01, False), (999.0, False), (1001.0, True)])
def test_under_a_millimetre_and_over_a_metre_is_noted_and_mends_nothing(extent, noted):
    found = summarise(shapes.stl(shapes.box(extent, extent / 2, extent / 2)), fmt="stl", unit="mm")
    assert (bool(found.notes), found.mended, found.trust) == (noted, (), Trust.FULL)
    assert found.extent_x_mm == pytest.approx(extent)


@pytest.mark.parametrize("extent", [1e-4, 1e6])
def test_an_impossible_size_is_refused(extent):
    with pytest.raises(MeshTooLargeError, match="Is the unit right"):
        load_mesh(shapes.stl(shapes.box(extent, extent, extent)), fmt="stl", unit="mm")


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_lies_about_its_type_is_refused(name):
    for fmt in {"stl", "obj", "off", "ply", "3mf"} - {name.split()[-1]}:
        with pytest.raises(MeshTypeError, match=f"declared as {fmt}"):
            load_mesh(FILES[name], fmt=fmt, unit="mm")


@pytest.mark.parametrize("data", [b"\x89PNG\r\n\x1a\n" + bytes(200), b"%PDF-1.7\n" + b"x" * 200, b"hello world"])
def test_bytes_of_another_kind_are_refused(data):
    with pytest.raises(MeshTypeError):
        load_mesh(data, fmt=None, unit="mm")


def test_an_unknown_format_is_refused():
    with pytest.raises(MeshTypeError, match="one of stl, 3mf"):
        load_mesh(FILES["stl"], fmt="step", unit="mm")


@pytest.mark.parametrize("fmt", ["stl", "obj", "off", "ply", "3mf", None])
def test_an_empty_file_is_refused(fmt):
    with pytest.raises(MeshRefusedError, match="empty"):
        load_mesh(b"", fmt=fmt, unit="mm")


def test_a_binary_stl_must_have_84_bytes_and_50_a_triangle():
    whole = FILES["stl"]
    for data in (whole[:-1], whole + b"\0", whole[:500]):
        with pytest.raises(MeshRefusedError, match=f"but the file has {len(data):,}"):
            load_mesh(data, fmt="stl", unit="mm")
    with pytest.raises(MeshRefusedError, match="84 are needed"):
        load_mesh(whole[:60], fmt="stl", unit="mm")


def test_a_count_beyond_the_limit_is_refused_before_parsing():
    lie = bytearray(FILES["stl"])
    lie[80:84] = (4_000_000_000).to_bytes(4, "little")
    with pytest.raises(MeshRefusedError, match="4,000,000,000 triangles"):
        load_mesh(bytes(lie), fmt="stl", unit="mm")


@pytest.mark.parametrize("name", FILES)
def test_the_triangle_limit_is_stated(name):
    with pytest.raises(MeshTooLargeError, match="limit is 50"):
        load_mesh(FILES[name], fmt=name.split()[-1], unit="mm", limits=MeshLimits(triangles=50))


def test_the_upload_limit_is_stated():
    with pytest.raises(MeshTooLargeError, match="limit is"):
        load_mesh(FILES["stl"], fmt="stl", unit="mm", limits=MeshLimits(upload_bytes=100))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_a_number_that_is_not_finite_is_refused(value):
    data = bytearray(FILES["stl"])
    data[84 + 12 : 84 + 16] = np.float32(value).tobytes()
    with pytest.raises(MeshRefusedError, match="not finite"):
        load_mesh(bytes(data), fmt="stl", unit="mm")


def test_a_truncated_obj_is_never_taken_as_whole():
    """OBJ carries no counts: what is left may be read, but it no longer closes."""
    lines = FILES["obj"].splitlines(keepends=True)
    for left in (-1, -5, -40):
        assert not solid_of(load_mesh(b"".join(lines[:left]), fmt="obj", unit="mm")).watertight


@pytest.mark.parametrize("name", ["ascii stl", "off", "ply", "binary ply"])
@pytest.mark.parametrize("kept", [0.3, 0.6, 0.95])
def test_a_truncated_text_file_is_refused(name, kept):
    data = FILES[name][: int(len(FILES[name]) * kept)]
    with pytest.raises(MeshRefusedError):
        load_mesh(data, fmt=name.split()[-1], unit="mm")


@pytest.mark.parametrize("name", ["ascii stl", "obj", "off", "ply"])
def test_text_that_is_no_number_is_refused(name):
    data = FILES[name].replace(b"60 ", b"6o ", 1)
    assert data != FILES[name]
    with pytest.raises(MeshRefusedError):
        load_mesh(data, fmt=name.split()[-1], unit="mm")


def test_headers_that_promise_more_than_the_file_holds_are_refused():
    for name, old, new in (
        ("ply", b"element vertex ", b"element vertex 9999"),
        ("ply", b"element face ", b"element face 9999"),
        ("off", b"OFF\n", b"OFF\n99"),
    ):
        with pytest.raises(MeshRefusedError):
            load_mesh(FILES[name].replace(old, new, 1), fmt=name, unit="mm")


TETRA = b"v 0 0 0\nv 9 0 0\nv 0 9 0\nv 0 0 9\n"
TETRA_FACES = b"f 1 3 2\nf 1 2 4\nf 2 3 4\nf 1 4 3\n"


def test_obj_polygons_textures_and_continued_lines_are_read():
    cube = b"".join(b"v %d %d %d\n" % (x, y, z) for x in (0, 4) for y in (0, 4) for z in (0, 4))
    quads = b"f 1/1 2/2 4/3 3/4\nf 5 7 8 6\nf 1 5 6 2\nf 3 4 8 7\nf 1 3 \\\n7 5\nf 2 6 8 4\n"
    quads += b"vt 0 0\nvt 1 0\nvt 1 1\nvt 0 1\n"
    assert solid_of(load_mesh(cube + quads, fmt="obj", unit="mm")).volume_mm3 == pytest.approx(64)


def test_obj_numbers_that_count_back_are_read_when_clear_and_refused_when_not():
    back = TETRA + b"f -4 -2 -3\nf -4 -3 -1\nf -3 -2 -1\nf -4 -1 -2\n"
    assert solid_of(load_mesh(back, fmt="obj", unit="mm")).volume_mm3 == pytest.approx(121.5)
    with pytest.raises(MeshUnsupportedError, match="backwards"):
        load_mesh(back + b"v 0 0 -9\nf -1 -2 -3\n", fmt="obj", unit="mm")


@pytest.mark.parametrize(
    "face", [b"f 1 2 5\n", b"f 0 1 2\n", b"f 1 2 99999999999999999999\n", b"f 1 2 -9\n", b"f 1 2\n"]
)
def test_obj_faces_beyond_the_vertices_are_refused(face):
    with pytest.raises(MeshRefusedError):
        load_mesh(TETRA + TETRA_FACES + face, fmt="obj", unit="mm")


def test_degenerate_triangles_are_dropped_and_counted():
    mesh = load_mesh(TETRA + TETRA_FACES + b"f 1 1 2\nf 3 3 3\n", fmt="obj", unit="mm")
    assert len(mesh.faces) == 4
    assert mesh.notes == ("2 degenerate triangles dropped",)


def test_only_degenerate_triangles_are_refused():
    with pytest.raises(MeshRefusedError, match="degenerate"):
        load_mesh(TETRA + b"f 1 1 2\n", fmt="obj", unit="mm")


def test_merging_joins_equal_points_and_keeps_the_order():
    points = np.array([[1.0, 0, 0], [0.0, 1, 0], [-0.0, 0, 1], [0.0, 0, 1], [1.0, 0, 0], [5.0, 5, 5]])
    vertices, faces = merged(points, np.array([[0, 1, 2], [3, 4, 5]]))
    assert vertices.tolist() == [[1, 0, 0], [0, 1, 0], [0, 0, 1], [5, 5, 5]]
    assert faces.tolist() == [[0, 1, 2], [2, 0, 3]]


@pytest.mark.parametrize("precision", [np.float32, np.float64])
def test_merging_finds_the_points_that_numpy_finds(precision):
    points = (np.random.default_rng(8).integers(-11, 12, (9_000, 3)) / 8).astype(precision)
    vertices, faces = merged(points, np.arange(9_000).reshape(-1, 3))
    assert vertices.dtype == np.float64
    assert np.array_equal(vertices[faces.ravel()], points)
    assert np.array_equal(np.unique(vertices, axis=0), np.unique(points, axis=0))
    assert np.array_equal(np.unique(faces, return_index=True)[1], np.sort(np.unique(faces, return_index=True)[1]))
    assert len(vertices) == len(np.unique(points, axis=0))


def test_many_comment_marks_before_no_off_are_refused_at_once():
    """Nested repetition over '#' once took time exponential in their number: 24 took seconds, 4,000 would never end."""
    with pytest.raises(InvalidError):
        load_mesh(b"#" * 4000, fmt="off", unit="mm")
