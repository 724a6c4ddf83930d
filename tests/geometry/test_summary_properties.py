"""What must hold for any part: curves, and how they follow when the part is moved, turned, scaled or shuffled."""

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.geometry import shapes
from workers.geometry.granulometry import BEAD_WIDTHS_MM
from workers.geometry.summary import summarise

CURVES = ("feature_loss", "corner_loss", "feature_gain", "corner_gain")
PART = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)


def off_grid(low, high):
    """Sizes in steps of 0.01 mm that end in 3 um, so that none is as wide as a bead: there the curves step."""
    return st.integers(round(low * 100), round(high * 100)).map(lambda k: k / 100 + 0.003)


def places(low, high):
    return st.integers(2 * low, 2 * high).map(lambda k: k / 2)


rib = st.tuples(off_grid(0.15, 2.5), places(1, 6), places(1, 18), places(1, 12))
hole = st.tuples(off_grid(0.6, 4.0), places(4, 16), places(4, 11))
slot = st.tuples(off_grid(0.15, 2.2), places(2, 8), places(2, 11), places(2, 12))


parts = st.fixed_dictionaries(
    {"ribs": st.lists(rib, max_size=3), "holes": st.lists(hole, max_size=3), "slots": st.lists(slot, max_size=2)}
)


def built(part):
    """A plate with a few ribs on it, holes and slots through it, at places anywhere."""
    body = shapes.box(20, 15, 4)
    for width, height, x, y in part["ribs"]:
        body = body + shapes.box(min(6, 20 - x), width, height, (x, y, 4))
    for diameter, x, y in part["holes"]:
        body = body - shapes.cylinder(diameter, 20, 24, (x, y, -1))
    for width, length, x, y in part["slots"]:
        body = body - shapes.box(length, width, 20, (x, y, -1))
    return body


def summary(body):
    """Through the float64 path, so that only the method is compared and not the rounding of files."""
    return summarise(shapes.obj(body), fmt="obj", unit="mm")


def apart(one, other):
    return max(float(np.abs(np.subtract(getattr(one.curves, c), getattr(other.curves, c))).max()) for c in CURVES)


@PART
@given(parts)
def test_curves_rise_with_width_and_stay_in_bounds(part):
    body = built(part)
    found = summary(body)
    assert found.curves.bead_width_mm == BEAD_WIDTHS_MM
    for name in CURVES:
        curve = np.array(getattr(found.curves, name))
        assert (curve >= 0).all()
        assert (curve <= 1).all()
        assert (np.diff(curve) >= 0).all()
    assert abs(sum(found.slopes.area_share) - 1) < 1e-9
    assert abs(sum(found.profile.dz_mm) - found.extent_z_mm) < 1e-6
    assert found.bodies >= 1


@PART
@given(parts, st.tuples(*[st.floats(-200, 200)] * 3), st.sampled_from([0, 90, 180, 270, 37]))
# A slot that cuts a hole open by just four of its 24 facets.
@example({"ribs": [], "holes": [(3.743, 14.0, 10.0)], "slots": [(0.303, 3.5, 11.0, 11.5)]}, (0.0, 1.17578125, 0.0), 0)
def test_moving_a_part_and_turning_it_about_z_change_nothing(part, move, turn):
    body = built(part)
    here, there = summary(body), summary(body.rotate((0, 0, turn)).translate(move))
    assert apart(here, there) < 2e-3
    assert abs(here.volume_mm3 - there.volume_mm3) < 1e-4 * here.volume_mm3
    assert abs(here.overhang_area_mm2 - there.overhang_area_mm2) < 1e-3 * here.area_mm2
    assert [(f.kind, round(f.nominal_mm, 2)) for f in here.features[:-3]] == [
        (f.kind, round(f.nominal_mm, 2)) for f in there.features[:-3]
    ]


@PART
@given(parts)
def test_a_part_twice_as_large_loses_the_same_share_at_twice_the_width(part):
    body = built(part)
    small, large = summary(body).curves, summary(body.scale((2, 2, 2))).curves
    for name in CURVES:
        curve, double = getattr(small, name), getattr(large, name)
        for i, width in enumerate(BEAD_WIDTHS_MM):
            if 2 * width in BEAD_WIDTHS_MM:
                assert abs(curve[i] - double[BEAD_WIDTHS_MM.index(2 * width)]) < 2e-3


@PART
@given(parts, st.randoms(use_true_random=False))
def test_the_order_of_triangles_and_corners_does_not_matter(part, random):
    body = built(part)
    corners = shapes.triangles(body)
    order = list(range(len(corners)))
    random.shuffle(order)
    shuffled = np.roll(corners[order], random.randrange(3), axis=1)
    flat = shuffled.reshape(-1, 3)
    other = (flat, np.arange(len(flat)).reshape(-1, 3))
    one = summarise(shapes.stl(body), fmt="stl", unit="mm")
    two = summarise(shapes.stl(shapes.soup(other)), fmt="stl", unit="mm")
    assert apart(one, two) < 1e-4
    assert abs(one.volume_mm3 - two.volume_mm3) < 1e-6 * one.volume_mm3
    assert one.profile.islands == two.profile.islands
    assert one.features == two.features
    assert abs((one.smallest.rib_mm or 0) - (two.smallest.rib_mm or 0)) < 0.01


@PART
@given(parts)
def test_the_same_bytes_give_the_same_summary_to_the_byte(part):
    body = built(part)
    from workers.model.codec import to_json

    data = shapes.stl(body)
    assert to_json(summarise(data, fmt="stl", unit="mm")) == to_json(summarise(data, fmt="stl", unit="mm"))
