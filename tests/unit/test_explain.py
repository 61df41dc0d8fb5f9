"""What people read: short messages, the right number of parts, evidence in numbers."""

from rules import explain, words
from rules.findings import ACTIONS, CAUSES, CauseProbability, Forecast

AT = 1767571200.0  # 2026-01-05T00:00:00Z
DAY = 86400.0


def message(**changed: object) -> str:
    """An ordinary message with some parts changed."""
    parts: dict[str, object] = {
        "train": "A",
        "stage": 2,
        "causes": (CauseProbability("scaling", 0.813),),
        "action": "clean",
        "deviation": {"2": {"permeate_flow": -0.064, "salt_passage": 0.0488}},
        "section": "2",
        "forecast": Forecast("permeate_flow", AT + 9 * DAY, AT + 7 * DAY, AT + 13 * DAY),
    }
    return explain.performance_message(**(parts | changed))  # type: ignore[arg-type]


def test_a_message_says_what_where_how_much_and_what_to_do() -> None:
    """An ordinary message holds cause, place, probability, numbers, onset, forecast and the job."""
    assert message() == (
        "Train A stage 2: scaling likely (81 %). Flow -6.2 %, salt passage +5.0 % against the baseline. "
        "Flow limit about 14 Jan (12 Jan to 18 Jan). Plan an acid clean of stage 2."
    )


def test_open_forecast_and_whole_train() -> None:
    """A forecast without a late end says so; a cause of the whole train names the stage of the numbers."""
    text = message(stage=None, forecast=Forecast("permeate_flow", AT + 9 * DAY, AT + 7 * DAY, None))
    assert "(12 Jan or later)" in text
    assert text.startswith("Train A: scaling likely")
    assert "Stage 2 flow -6.2 %" in text
    assert text.endswith("Plan an acid clean of the train.")


def test_a_transmitter_is_named() -> None:
    """A transmitter error names the tag twice: as the cause and as the thing to check."""
    text = message(
        causes=(CauseProbability("instrument_fault", 0.97, "A/2/permeate_conductivity"),),
        action="check_instrument",
        forecast=None,
    )
    assert text.startswith("Train A: A/2/permeate_conductivity reads wrong, likely (97 %)")
    assert text.endswith("Check A/2/permeate_conductivity against a calibrated meter.")


def test_every_action_and_cause_has_words() -> None:
    """No action and no cause of the vocabulary is without its words."""
    assert set(words.CAUSE_WORDS) == set(CAUSES)
    for action in ACTIONS:
        assert explain.todo(action, "scaling", 1, "A/feed_flow").endswith(".")  # type: ignore[arg-type]
    assert "Plan an alkaline clean" in explain.todo("clean", "organic_fouling", 1, None)


def test_a_message_fits_a_phone() -> None:
    """Whatever it has to say, a message keeps to its length."""
    long = message(train="A" * 400)
    assert len(long) <= explain.LONGEST_MESSAGE
    assert long.endswith("…")


def test_per_cent_of_a_logarithm() -> None:
    """A logarithmic deviation of ln 1.1 is told as ten per cent."""
    assert words.percent(0.0953102) == "+10.0 %"
    assert words.percent(-0.1053605) == "-10.0 %"


def test_evidence_tells_what_stands_out_and_what_does_not() -> None:
    """What stands out has a sentence of its own, the rest one together; then the shape and the amount of data."""
    lines = explain.evidence(
        deviation={"2": {"permeate_flow": -0.0513}, "train": {"salt_passage": 0.1}},
        balances={"water": 0.01, "salt": 0.002},
        errors={
            "2/permeate_flow": 0.01,
            "train/salt_passage": 0.06,
            "balance/water": 0.004,
            "balance/salt": 0.012,
        },
        stepped=0.2,
        window_hours=24.0,
        digests=90,
    )
    assert lines == (
        "Normalized permeate flow of stage 2: -5.0 % against the baseline, 5.1 times its usual spread.",
        "Water balance: +1.0 % from where it stood, 2.5 times its usual spread.",
        "Within the usual spread: normalized salt passage of the train +10.5 %, salt balance +0.2 %.",
        "It came as a gradual change.",
        "Judged on 90 quarter hours of steady operation in the last 24 h.",
    )


def test_a_limit_that_is_passed_is_named() -> None:
    """When a limit is behind, the message says which instead of forecasting the next one."""
    text = explain.performance_message(
        train="A",
        stage=2,
        causes=(CauseProbability("scaling", 0.9),),
        action="clean",
        deviation={"2": {"permeate_flow": -0.05, "salt_passage": 0.12}},
        section="2",
        forecast=None,
        passed=("salt_passage",),
    )
    assert "Past the limit of salt passage." in text
    assert len(text) <= explain.LONGEST_MESSAGE
