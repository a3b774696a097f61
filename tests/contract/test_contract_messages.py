"""What the models take from the wire and what they put on it: finite numbers, no coercion, RFC 3339 times."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.messages import (
    INBOUND,
    OUTBOUND,
    AnalyserReading,
    Inbound,
    Outbound,
    RoomAir,
    RoomDoor,
    SelectLine,
    at,
    rfc3339,
)
from supervisor.shell.contract_examples import EXAMPLES

NUMBERS = [
    (model, name)
    for model in INBOUND
    for name, value in EXAMPLES[model].items()
    if isinstance(value, int | float) and not isinstance(value, bool)
]


def door(text: str) -> RoomDoor:
    return RoomDoor.model_validate_json(f'{{"observed_at": {text}, "open": true}}')


@pytest.mark.parametrize(("model", "name"), NUMBERS, ids=lambda one: getattr(one, "__name__", one))
@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", "1e999", '"20.8"', '""', "null", "true", "[]"])
def test_what_is_no_finite_number_is_refused(model: type[Inbound], name: str, text: str) -> None:
    optional = text == "null" and not model.model_fields[name].is_required()
    payload = json.dumps(EXAMPLES[model] | {name: "@"}).replace('"@"', text)
    if optional:
        assert getattr(model.model_validate_json(payload), name) is None
    else:
        with pytest.raises(ValueError, match=name):
            model.model_validate_json(payload)


@pytest.mark.parametrize("word", ["true", "1", 1, 0, "yes"])
def test_a_truth_is_true_or_false(word: object) -> None:
    with pytest.raises(ValueError, match="open"):
        RoomDoor.model_validate_json(json.dumps({"observed_at": "2026-07-01T05:00:00Z", "open": word}))


def test_unknown_keys_are_ignored() -> None:
    read = RoomAir.model_validate_json(json.dumps(EXAMPLES[RoomAir] | {"firmware": {"x": [1]}}))
    assert read.model_dump().keys() == EXAMPLES[RoomAir].keys()


@pytest.mark.parametrize("pct", [-5.01, 105.01, 400.0, 33792.0])
def test_a_reading_far_from_a_gas_content_is_refused(pct: float) -> None:
    with pytest.raises(ValueError, match="co2_pct"):
        AnalyserReading.model_validate_json(json.dumps(EXAMPLES[AnalyserReading] | {"co2_pct": pct}))


# RFC 3339 section 5.6 and its examples in 5.8, which name the same instants.
@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000, tzinfo=UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870000, tzinfo=UTC)),
        ("1985-04-12t23:20:50z", datetime(1985, 4, 12, 23, 20, 50, tzinfo=UTC)),
    ],
)
def test_times_of_rfc_3339(text: str, instant: datetime) -> None:
    assert door(json.dumps(text)).observed_at == instant


@pytest.mark.parametrize(
    "text",
    [
        '"1700000000"', "1700000000", "1700000000.5", '"2026-07-01"', '"2026-07-01T05:00Z"', '"2026-07-01T05:00:00"',
        '"2026-07-01 05:00:00Z"', '"2026-02-30T05:00:00Z"', '"2026-07-01T25:00:00Z"', '"20260701T050000Z"',
        '"0001-01-01T00:00:00+23:59"', '"9999-12-31T23:59:59-23:59"', '"now"', '""', "null",
        '"\u0662\u0660\u0662\u0666-07-01T05:00:00Z"',
    ],
)  # fmt: skip
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="observed_at"):
        door(text)


@given(st.text(max_size=40))
def test_no_text_breaks_out_of_the_decoder(text: str) -> None:
    try:
        door(json.dumps(text))
    except ValueError:
        pass


@given(st.floats(0, 4e9))
def test_a_time_goes_out_in_utc_with_milliseconds_and_comes_back(wall_s: float) -> None:
    text = json.loads(SelectLine(request_id="r", line="l", valid_until=at(wall_s)).model_dump_json())["valid_until"]
    assert text == rfc3339(at(wall_s)) and text.endswith("Z") and len(text) == len("2026-07-01T05:00:00.000Z")
    assert door(json.dumps(text)).observed_at.timestamp() == pytest.approx(wall_s, abs=0.001)


@pytest.mark.parametrize("model", OUTBOUND, ids=lambda one: one.__name__)
def test_no_figure_that_is_not_finite_goes_out(model: type[Outbound]) -> None:
    for name, value in EXAMPLES[model].items():
        if isinstance(value, float):
            for figure in (float("nan"), float("inf")):
                with pytest.raises(ValueError, match=f"{name}\n.*finite"):
                    model.model_validate(EXAMPLES[model] | {name: figure})
