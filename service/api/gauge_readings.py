"""/v1/gauge-readings: sizes of a test piece in, allowance and spread out, with the fit shown."""

from __future__ import annotations

import time
from collections.abc import Callable

from flask import Response
from redis.client import Pipeline

from service.api.answers import answer, plain
from service.api.blueprint import IDEMPOTENCY_KEY, LOCATION, ResourceBlueprint
from service.api.calibrations import CALIBRATIONS, CalibrationSchema
from service.api.described import reads_back, schema_of
from service.api.gauge_schema import GaugeAnswer, GaugeReading, GaugeReadingSchema, KeptReading
from service.api.idempotency import turn
from service.api.moments import format_moment
from service.api.pairings import require_pairing
from service.api.things import new_id
from service.context import context, stores
from workers.learning.gauge import GaugeFit, fit_gauge
from workers.model.codec import from_json, to_json
from workers.model.errors import FieldProblem, InvalidError, NotFoundError
from workers.model.fleet import Calibration, Material, Nozzle
from workers.model.shop import Shop
from workers.store.idempotency import Answer

AHEAD_S = 300.0  # how far the clocks of two computers may be apart; engineering prior
CARRIED = ("flow_ratio", "pressure_advance_s", "flow_ceiling_mm3_s", "nozzle_temp_c")
ALLOWANCES = ("hole_allowance_mm", "boss_allowance_mm")

blueprint = ResourceBlueprint(
    "gauge-readings",
    __name__,
    url_prefix="/v1/gauge-readings",
    description="Reading in a gauge piece: nominal and measured diameters of holes and bosses give the allowances and "
    "the spread of one machine, nozzle and material, with intervals and what each reading leaves.",
)
reads_back(Calibration, CalibrationSchema)
reads_back(GaugeReading, GaugeReadingSchema)
GaugeAnswerSchema = schema_of(GaugeAnswer)
EXAMPLE = {
    "machine_id": "alder",
    "nozzle_id": "n-050-hard-1",
    "material_id": "pa-cf",
    "bead_width_mm": 0.55,
    "layer_height_mm": 0.25,
    "readings": [
        {"kind": "hole", "nominal_mm": 5, "measured_mm": 4.84},
        {"kind": "hole", "nominal_mm": 8, "measured_mm": 7.87},
        {"kind": "hole", "nominal_mm": 12, "measured_mm": 11.86},
        {"kind": "boss", "nominal_mm": 8, "measured_mm": 8.05},
        {"kind": "boss", "nominal_mm": 12, "measured_mm": 12.07},
    ],
    "measured_by": "Early shift",
    "instrument": "digital caliper, 0.01 mm",
    "keep": False,
}


@blueprint.at("", "POST", summary="Read in a gauge piece", operation="read-gauge-piece")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(GaugeReadingSchema, example=EXAMPLE)
@blueprint.gives(200, GaugeAnswerSchema, "The fit; nothing is kept")
@blueprint.gives(201, GaugeAnswerSchema, "The fit, kept as a calibration", headers=LOCATION)
@blueprint.refuses(409)
def post_reading(reading: GaugeReading) -> Response:
    if not reading.keep:
        return answer(to_json(plain(_fitted(reading))))
    with turn("POST /v1/gauge-readings") as mine:
        if mine.replay is not None:
            return mine.replay
        made = _fitted(reading)
        body, location = to_json(plain(made)), CALIBRATIONS.path(made.calibration.id)
        finish = mine.also(Answer(status=201, body=body.decode(), location=location))
        _keep(made, KeptReading(reading=reading, fit=made.fit), finish)
        return answer(body, 201, location=location)


@blueprint.at(
    "/<calibration_id>", summary="The reading that a calibration was made from", operation="get-gauge-reading"
)
@blueprint.gives(200, schema_of(KeptReading))
@blueprint.refuses(404)
def get_reading(calibration_id: str) -> Response:
    raw = stores().client.hget(stores().keys.gauge_readings, calibration_id)
    if not isinstance(raw, bytes):
        raise NotFoundError(f"no gauge reading was kept as the calibration {calibration_id!r}")
    return answer(to_json(plain(from_json(raw, KeptReading))))


def _keep(made: GaugeAnswer, kept: KeptReading, finish: Callable[[Pipeline], None]) -> None:
    """The calibration and the reading behind it, in one step."""
    calibration = made.calibration

    def also(pipe: Pipeline) -> None:
        pipe.hset(stores().keys.gauge_readings, calibration.id, to_json(kept))
        finish(pipe)

    stores().fleet.create(calibration, check=lambda shop: CALIBRATIONS.may_stand(shop, calibration), also=also)


def _fitted(reading: GaugeReading) -> GaugeAnswer:
    """The fit, and the calibration that it comes to."""
    shop, now = context().shop.newest(), time.time()
    _, nozzle, material = require_pairing(shop, reading.machine_id, reading.nozzle_id, reading.material_id)
    at = now if reading.measured_at is None else reading.measured_at
    if at > now + AHEAD_S:
        problem = FieldProblem("/measured_at", "this is still to come", f"up to {format_moment(now)}")
        raise InvalidError("/measured_at: this is still to come", fields=(problem,))
    fit = fit_gauge(reading.readings)
    calibration, taken_over = _calibration(reading, fit, at, _newest(shop, reading), nozzle, material)
    return GaugeAnswer(fit=fit, calibration=calibration, kept=reading.keep, taken_over=taken_over)


def _calibration(
    reading: GaugeReading, fit: GaugeFit, at: float, before: Calibration | None, nozzle: Nozzle, material: Material
) -> tuple[Calibration, tuple[str, ...]]:
    """The newest calibration of a pairing stands alone, so what was not measured now is taken over from the last."""
    found = {name: getattr(reading, name) for name in CARRIED}
    found["hole_allowance_mm"] = fit.hole.allowance_mm if fit.hole else None
    found["boss_allowance_mm"] = fit.boss.allowance_mm if fit.boss else None
    missing = [name for name, value in found.items() if value is None]
    taken_over = tuple(name for name in missing if before is not None and getattr(before, name) is not None)
    values = found | {name: getattr(before, name) for name in taken_over}
    if values["nozzle_temp_c"] is None:
        values["nozzle_temp_c"] = (material.nozzle_temp_min_c + material.nozzle_temp_max_c) / 2.0
    if values["flow_ratio"] is None:
        values["flow_ratio"] = 1.0
    return Calibration(
        id=reading.calibration_id or new_id(),
        machine_id=reading.machine_id,
        nozzle_id=reading.nozzle_id,
        material_id=reading.material_id,
        calibrated_at=at,
        layer_height_mm=reading.layer_height_mm,
        bead_width_mm=reading.bead_width_mm,
        size_sd_mm=fit.size_sd_mm,
        measured=_measured(fit, before, taken_over),
        measured_by=reading.measured_by,
        instrument=reading.instrument,
        abrasive_cm3_at=nozzle.abrasive_cm3 if reading.measured_at is None else None,
        **values,
    ), taken_over


def _measured(fit: GaugeFit, before: Calibration | None, taken_over: tuple[str, ...]) -> int:
    """Features that each allowance rests on. A calibration has one number for both sides: the smaller is safe."""
    counts = [side.n for side in (fit.hole, fit.boss) if side is not None]
    if before is not None and any(name in ALLOWANCES for name in taken_over):
        counts.append(before.measured)
    return min(counts)


def _newest(shop: Shop, reading: GaugeReading) -> Calibration | None:
    named = (reading.machine_id, reading.nozzle_id, reading.material_id)
    same = (one for one in shop.calibrations if (one.machine_id, one.nozzle_id, one.material_id) == named)
    return max(same, key=lambda one: (one.calibrated_at, one.id), default=None)
