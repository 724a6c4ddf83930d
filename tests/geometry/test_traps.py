"""The traps that were met in reading and measuring meshes, one by one, each with the tests that hold it shut.

The table is checked: a test that is renamed or dropped has to be missed here.
"""

import importlib

import numpy as np
import pytest

from tests.geometry import shapes
from tests.geometry.cad.matching import found_in
from workers.geometry.errors import MeshNotSolidError
from workers.geometry.limits import MIB, MeshLimits
from workers.geometry.mend import solid_of
from workers.geometry.mesh import TriangleMesh
from workers.geometry.summary import summarise
from workers.model.part import FeatureKind, Trust

GEOMETRY, OUTSIDE = "tests.geometry.", "tests.external."
TRAPS = {
    "a rib or slot exactly as wide as the bead": (
        GEOMETRY + "test_curves.test_a_rib_or_slot_exactly_as_wide_as_the_bead_is_kept",
        OUTSIDE + "test_detail.test_a_rib_exactly_one_bead_wide_counts_as_kept",
    ),
    "a smooth curve drawn across a step": (
        GEOMETRY + "test_curves.test_steps_stay_steps",
        "tests.process.test_detail.test_between_smooth_values_a_straight_line_and_across_a_step_the_higher",
    ),
    "overlapping shells counted twice by a volume integral": (
        GEOMETRY + "test_mend.test_overlapping_bodies_are_united_and_not_counted_twice",
    ),
    "and by a profile without stitching": (
        GEOMETRY + "test_sections.test_overlapping_shells_are_not_counted_twice_in_a_section",
        GEOMETRY + "test_traps.test_the_profile_of_overlapping_shells_counts_them_once",
    ),
    "a shell within a shell of the same direction": (
        GEOMETRY + "test_mend.test_a_nested_shell_of_the_same_direction_is_solid_by_policy",
        GEOMETRY + "test_mend.test_a_cavity_stays_and_a_ball_inside_it_too",
    ),
    "single holes, flipped faces and several bodies": (
        GEOMETRY + "test_mend.test_a_small_hole_is_covered_and_trusted_as_mended",
        GEOMETRY + "test_mend.test_faces_with_mixed_windings_are_made_to_agree",
        GEOMETRY + "test_mend.test_one_inside_out_body_of_two_is_turned",
    ),
    "many missing faces": (
        GEOMETRY + "test_traps.test_many_missing_faces_are_refused_or_not_trusted",
        GEOMETRY + "test_mend.test_a_few_loose_triangles_are_refused",
    ),
    "a face soup that mends to nothing": (
        GEOMETRY + "test_mend.test_a_face_soup_is_refused_and_does_not_mend_to_nothing",
        GEOMETRY + "test_mend.test_a_flat_closed_surface_is_refused",
    ),
    "mending that moves the volume": (GEOMETRY + "test_traps.test_what_is_mended_moves_the_volume_little_or_says_so",),
    "sections of an open outline": (
        GEOMETRY + "test_mend.test_an_open_scan_gets_a_flat_cover_and_low_trust",
        GEOMETRY + "test_summary.test_an_open_scan_is_summarised_with_low_trust_and_says_why",
    ),
    "a negative volume": (
        GEOMETRY + "test_mend.test_an_inside_out_mesh_is_turned",
        GEOMETRY + "test_summary.test_an_inverted_mesh_is_summarised_like_the_upright_one",
    ),
    "a surface that crosses itself": (
        GEOMETRY + "test_summary.test_a_surface_that_laps_over_itself_counts_its_sections_once",
    ),
    "holes under 1 um of noise": (GEOMETRY + "test_traps.test_a_micrometre_of_noise_hides_no_hole",),
    "holes under 5 and 20 um of noise": (
        GEOMETRY + "test_cad_disturbed.test_five_micrometres_of_noise_leave_nineteen_of_twenty",
        GEOMETRY + "test_cad_disturbed.test_twenty_micrometres_of_noise_leave_five_of_six",
    ),
    "holes after halving the triangles": (
        GEOMETRY + "test_cad_disturbed.test_thinned_to_half_nineteen_of_twenty_are_left",
    ),
    "holes in a torus, a ball or a fillet": (
        GEOMETRY + "test_rounds.test_no_hole_or_boss_in_a_torus_a_ball_or_a_cone",
        GEOMETRY + "test_cad_truth.test_no_round_hole_is_found_where_there_is_none",
        GEOMETRY + "test_cad_rims.test_a_crude_ring_has_no_hole",
    ),
    "an octagon read as a hole": (
        GEOMETRY + "test_rounds.test_an_octagon_pocket_is_flat_sided_and_no_round_hole",
        GEOMETRY + "test_cad_truth.test_a_flat_sided_hole_with_eased_corners_is_no_round_one",
    ),
    "one diameter given where a faceted hole has two": (
        OUTSIDE + "test_geometry_closed_forms.test_both_diameters_of_a_faceted_hole",
    ),
    "3MF: a unit set but not applied": (
        GEOMETRY + "test_threemf.test_the_file_carries_its_own_unit_and_the_callers_is_passed_over",
    ),
    "3MF: files that must fail": (GEOMETRY + "test_threemf.test_a_file_that_breaks_the_specification_is_refused",),
    "3MF: an empty mesh for a valid file of the production extension": (
        GEOMETRY + "test_threemf.test_a_part_spread_over_files_by_the_production_extension_is_read",
    ),
    "3MF: beam lattices and proxy meshes": (
        GEOMETRY + "test_threemf.test_beams_are_refused_even_when_not_required",
        GEOMETRY + "test_threemf.test_a_required_extension_that_is_not_supported_is_named",
    ),
    "3MF: an empty result": (GEOMETRY + "test_threemf.test_a_build_without_items_yields_nothing_and_is_refused",),
    "3MF: a component bomb": (GEOMETRY + "test_threemf.test_a_component_bomb_is_counted_and_not_expanded",),
    "3MF: a zip bomb": (
        GEOMETRY + "test_threemf.test_a_zip_bomb_is_refused_by_its_directory",
        GEOMETRY + "test_threemf.test_a_directory_that_lies_about_a_size_is_refused",
    ),
    "3MF: a DOCTYPE": (
        GEOMETRY + "test_threemf.test_document_types_and_entities_are_refused",
        GEOMETRY + "test_threemf.test_a_document_type_hidden_in_two_byte_text_is_refused",
    ),
    "3MF: an encoding nobody knows": (GEOMETRY + "test_threemf.test_an_encoding_that_is_not_known_is_refused",),
    "a binary STL of another size than 84 + 50 n": (
        GEOMETRY + "test_load.test_a_binary_stl_must_have_84_bytes_and_50_a_triangle",
    ),
    "millimetre, inch and metre files": (
        GEOMETRY + "test_load.test_the_unit_scales_to_millimetres",
        GEOMETRY + "test_load.test_an_unusual_size_is_a_hint_and_never_a_rescale",
    ),
    "single precision": (GEOMETRY + "test_mend.test_corners_that_rounding_pulled_apart_are_joined",),
    "limits": (
        GEOMETRY + "test_traps.test_the_limits_are_those_that_were_measured_as_workable",
        GEOMETRY + "test_load.test_the_upload_limit_is_stated",
        GEOMETRY + "test_load.test_the_triangle_limit_is_stated",
        GEOMETRY + "test_sandbox.test_an_analysis_that_takes_too_long_is_stopped",
        GEOMETRY + "test_sandbox.test_an_analysis_that_needs_too_much_memory_is_stopped_and_says_the_limit",
    ),
    "bridges, islands a layer and slots, once untried": (
        GEOMETRY + "test_surface.test_a_gate_has_a_bridge_as_long_as_its_gap",
        GEOMETRY + "test_sections.test_islands_are_counted_a_layer",
        GEOMETRY + "test_cad_truth.test_flat_sided_holes_and_slots_are_found_with_their_widths",
    ),
}


@pytest.mark.parametrize("trap", TRAPS)
def test_each_trap_has_its_tests(trap):
    assert TRAPS[trap]
    for name in TRAPS[trap]:
        module, _, test = name.rpartition(".")
        assert callable(getattr(importlib.import_module(module), test, None)), f"{trap}: {name} is gone"


def test_the_profile_of_overlapping_shells_counts_them_once():
    """Two cubes of 10 mm that share a quarter of each: 175 mm2 at every height, not 200 (elementary)."""
    cube = shapes.box(10, 10, 10)
    summary = summarise(shapes.stl(shapes.soup(cube, cube.translate((5, 5, 0)))), fmt="stl", unit="mm")
    assert np.array(summary.profile.area_mm2) == pytest.approx(175, rel=1e-6)
    assert np.array(summary.profile.perimeter_mm) == pytest.approx(60, rel=1e-6)


@pytest.mark.parametrize("missing", [0.1, 0.3, 0.6, 0.9])
def test_many_missing_faces_are_refused_or_not_trusted(missing):
    vertices, faces = shapes.arrays(shapes.Body.sphere(10, 48))
    kept = np.random.default_rng(7).random(len(faces)) >= missing
    try:
        solid = solid_of(TriangleMesh(vertices, faces[kept]))
    except MeshNotSolidError:
        return
    assert (solid.trust, solid.watertight) == (Trust.LOW, False)
    assert "openings covered" in solid.mended[0]
    assert solid.volume_mm3 > 0


def test_what_is_mended_moves_the_volume_little_or_says_so():
    """Every tenth face of a fine ball turned, two gone: closed again, and of the ball's volume to a thousandth."""
    ball = shapes.Body.sphere(10, 96)
    vertices, faces = shapes.arrays(ball)
    faces[::10] = faces[::10, ::-1]
    solid = solid_of(TriangleMesh(vertices, np.delete(faces, [5, 700], axis=0)))
    assert solid.volume_mm3 == pytest.approx(ball.volume(), rel=1e-3)
    assert solid.trust is Trust.MENDED
    assert len(solid.mended) == 2


@pytest.mark.parametrize("turn", [(0, 0, 0), (0, 90, 0), (35, 0, 20)])
def test_a_micrometre_of_noise_hides_no_hole(turn):
    sizes = [2.0, 3.0, 5.0, 8.0, 12.0, 20.0]
    places = np.cumsum([s + 4 for s in sizes])
    plate = shapes.plate_with_holes(
        [(s, x, 15.0) for s, x in zip(sizes, places, strict=True)], (float(places[-1]) + 15, 30.0, 8.0), 48
    )
    mesh = shapes.solid(plate.rotate(turn)).triangles()
    noise = np.random.default_rng(11).normal(0, 0.001, mesh.vertices.shape)
    found = found_in(TriangleMesh(mesh.vertices + noise, mesh.faces), FeatureKind.HOLE)
    assert [f.nominal_mm for f in found] == pytest.approx(sizes, abs=0.01)


def test_the_limits_are_those_that_were_measured_as_workable():
    limits = MeshLimits()
    assert (limits.upload_bytes, limits.unpacked_bytes) == (64 * MIB, 200 * MIB)
    assert (limits.triangles, limits.instances) == (1_000_000, 10_000)
    assert (limits.seconds, limits.memory_bytes) == (60.0, 3 * 1024 * MIB)
