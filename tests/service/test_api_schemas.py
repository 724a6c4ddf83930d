"""The schemas and the model say the same."""

from __future__ import annotations

import dataclasses
import math

import pytest

from service.api import (
    calibrations,
    gauge_schema,
    job_schema,
    line_up_schema,
    machines,
    materials,
    nozzles,
    outcome_schema,
    part_schema,
    spools,
    trial_schema,
)
from service.api.fields import Number, Numbers, Refused, Whole
from service.api.moments import format_moment, parse_moment, with_moments
from service.api.schema import RecordSchema
from tests.service import api_bodies as bodies

MODULES = (
    calibrations,
    gauge_schema,
    job_schema,
    line_up_schema,
    machines,
    materials,
    nozzles,
    outcome_schema,
    part_schema,
    spools,
    trial_schema,
)
SCHEMAS = [
    value
    for module in MODULES
    for value in vars(module).values()
    if isinstance(value, type) and issubclass(value, RecordSchema) and dataclasses.is_dataclass(value.makes)
]


@pytest.mark.parametrize("schema", SCHEMAS, ids=lambda schema: schema.__name__)
def test_a_schema_has_every_field_of_what_it_makes(schema):
    # tolerances that lean on a part are handed in among the others; which prices were given is seen, not said
    not_handed_in = {"open_tolerances", "given"}
    assert set(schema().fields) == {field.name for field in dataclasses.fields(schema.makes)} - not_handed_in


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, True, "1", None, [1]])
def test_what_is_no_number_is_no_number_in_an_array_either(value):
    """JSON cannot carry NaN, but a form can."""
    with pytest.raises(Refused):
        Number(0, 2).take(value)
    for place in range(3):
        array = [1.0, 1.0, 1.0]
        array[place] = value
        with pytest.raises(Refused):
            Numbers(0, 2, most=3).take(array)


@pytest.mark.parametrize(("value", "taken"), [(2, 2), (2.0, 2), (-3.0, -3)])
def test_a_whole_number_may_be_written_with_a_point(value, taken):
    """JSON Schema 2020-12 Validation section 6.1.1: a number with a zero fraction is an integer."""
    assert Whole(-5, 5).take(value) == taken


@pytest.mark.parametrize("text", ["2026-05-04T16:00:00Z", "2026-05-04T16:00:00.250Z", "2026-05-04T16:00:00.123456Z"])
def test_moments_come_back_as_they_went_in(text):
    assert format_moment(parse_moment(text)) == text


@pytest.mark.parametrize(
    "text", ["2026-05-04", "20260504T160000Z", "2026-W19-1T16:00:00Z", "2026-05-04T16:00Z", "2026-05-04T24:00:01Z"]
)
def test_other_ways_to_write_a_moment_are_not_rfc_3339(text):
    """RFC 3339 section 5.6: full-date "T" full-time; the basic, week and reduced forms of ISO 8601 are out."""
    assert parse_moment(text) is None


def test_quantities_at_a_moment_are_no_moments():
    assert with_moments({"at": 0, "due_at": None, "abrasive_cm3_at": 12.5, "rib_at_mm": [1.0]}) == {
        "at": "1970-01-01T00:00:00Z",
        "due_at": None,
        "abrasive_cm3_at": 12.5,
        "rib_at_mm": [1.0],
    }


def test_a_calibration_keeps_the_wear_it_was_made_at(shop):
    made = shop.made("/v1/calibrations", bodies.calibration(abrasive_cm3_at=120))
    assert (made["abrasive_cm3_at"], made["calibrated_at"]) == (120, "2026-04-30T14:00:00Z")
