"""A line-up study as it is asked for. Ranges are engineering priors."""

from __future__ import annotations

from typing import Any

from service.api.fields import EMPTY_LINE_PATTERN, Choice, Identifier, ListOf, Number, Text, Whole
from service.api.job_schema import JobSchema
from service.api.schema import Record, RecordSchema
from workers.model.errors import FieldProblem
from workers.model.fleet import TipMaterial
from workers.model.lineup import ForecastEntry, LineUpPrices, LineUpRequest, MixSource, NozzleOffer
from workers.planning.lineup.words import MEANING

LEAST_S, MOST_S = 1.0, 600.0
FORECAST_MOST, OFFERS_MOST, COPIES_MOST = 500, 12, 100_000
MONEY = 1_000_000


class NozzleOfferSchema(RecordSchema):
    """A nozzle that may be bought; bores between the usual ones are welcome."""

    makes = NozzleOffer
    name = Text(80)
    bore_mm = Number(0.1, 2, "mm")
    tip = Choice(TipMaterial)
    fitting = Text(40, description="As a machine's hotend has it")
    price = Number(0, MONEY, description="Of one piece, in the shop's currency")
    at_most = Whole(1, 100, description="Pieces that may be bought")
    nozzle_temp_max_c = Number(100, 600, "degrees C")
    land_mm = Number(0.1, 10, "mm")


class ForecastEntrySchema(RecordSchema):
    makes = ForecastEntry
    job = Record(JobSchema)
    count = Whole(1, 10_000, description="How often it is expected in the window")


def _price(name: str, low: float, high: float) -> Number:
    unit, meaning = MEANING[name]
    return Number(low, high, unit, description=f"{meaning[0].upper()}{meaning[1:]}")


class LineUpPricesSchema(RecordSchema):
    """What things cost; whatever is not given is an engineering prior, and the result says so."""

    makes = LineUpPrices
    operator_per_h = _price("operator_per_h", 0, MONEY)
    scrap_each = _price("scrap_each", 0, MONEY)
    clog_each = _price("clog_each", 0, MONEY)
    detail_each = _price("detail_each", 0, MONEY)
    late_per_h = _price("late_per_h", 0, MONEY)
    outside_each = _price("outside_each", 0, MONEY)
    outside_per_cm3 = _price("outside_per_cm3", 0, MONEY)
    payback_h = _price("payback_h", 1, 100_000)
    utilisation = _price("utilisation", 0.01, 1)

    def build(self, values: dict[str, Any]) -> LineUpPrices:
        return LineUpPrices(**values, given=tuple(sorted(values)))


class LineUpRequestSchema(RecordSchema):
    """A line-up study. Exactly a forecast has entries."""

    makes = LineUpRequest
    name = Text(120, pattern=EMPTY_LINE_PATTERN, words="up to 120 characters on one line")
    source = Choice(MixSource, description="The jobs that line-ups are judged by")
    history_days = Whole(1, 3650, "days", description="Of a history: it is also the window")
    forecast = ListOf(Record(ForecastEntrySchema), most=FORECAST_MOST)
    machine_ids = ListOf(Identifier(), most=200, description="Empty: every machine in service")
    offers = ListOf(Record(NozzleOfferSchema), most=OFFERS_MOST)
    window_h = Number(1, 10_000, "h", description="In which a queue or a forecast is to be printed")
    prices = Record(LineUpPricesSchema)
    seed = Whole(0, 2**31 - 1, description="Of the search and of the draws")
    time_limit_s = Number(LEAST_S, MOST_S, "s")

    def rules(self, record: Any) -> list[FieldProblem]:
        if record.source is MixSource.FORECAST and not record.forecast:
            return [FieldProblem("/forecast", "a forecast needs at least one job", "1 to 500 entries")]
        if record.source is not MixSource.FORECAST and record.forecast:
            return [FieldProblem("/forecast", f"the source is {record.source.value}", "left out, or source: forecast")]
        return []
