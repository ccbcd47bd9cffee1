"""The check-up of the small demo shop, once a test run."""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from unittest.mock import patch

from learn.assessment.cross_validation import Forecasts, forecasts
from learn.assessment.report import Checkup, checkup
from learn.predict.model import ShiftModel
from tests.small_demo import small_shop, stored_small_model


@cache
def small_forecasts() -> list[Forecasts]:
    model = stored_small_model().recall(small_shop())
    return forecasts(model, model.physics_alone())


@contextmanager
def forecast_once() -> Iterator[None]:
    """Physics alone and what follows from it are computed once for all tests."""
    known = small_forecasts()
    with (
        patch.object(ShiftModel, "physics_alone", lambda *_, **__: None),
        patch("learn.assessment.report.forecasts", lambda *_: known),
    ):
        yield


@cache
def checked() -> Checkup:
    with forecast_once():
        return checkup(stored_small_model(), small_shop(), with_curve=False)
