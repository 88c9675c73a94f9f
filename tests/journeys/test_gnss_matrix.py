"""Every way a receiver can be wrong, in a whole flight: state, reason, flags, phase times, altitudes, time line."""

from itertools import pairwise

import numpy as np
import pytest

from ground.simulator.board.gnss.behaviour import BEHAVIOURS
from tests.journeys.gnss_matrix import EXPECTED, Flight

LIVE_M = 30.0  # noise of the virtual receiver, five standard deviations and a second of climb
PRESSURE_SHARE = 0.02  # of the height passed without a receiver: the air is up to 2 % warmer or colder than assumed


@pytest.fixture(scope="module", params=list(EXPECTED))
def flight(request, tmp_path_factory):
    return Flight(tmp_path_factory.mktemp("gnss") / request.param, request.param)


def test_every_behaviour_is_in_the_matrix():
    assert set(EXPECTED) | {"normal"} == set(BEHAVIOURS)  # "older" is the normal one on this board


def test_states_are_told_apart_and_the_reason_is_written(flight):
    expected = flight.expected
    states = tuple(a for _, a, _ in flight.of("gnss_state"))
    if expected.states is not None:
        assert states == expected.states
    for name in expected.also:
        assert flight.of(name), f"no event {name}"
    reasons = {name for name in flight.events["name"] if name in _REASONS}
    assert reasons == ({expected.reason} if expected.reason else set())
    if expected.reason_a is not None:
        assert [a for _, a, _ in flight.of(expected.reason)] == [expected.reason_a]
    if expected.model is None:
        assert not flight.of("gnss_model_set")
    elif flight.behaviour != "restarts":
        assert [a for _, a, _ in flight.of("gnss_model_set")] == [6]


_REASONS = {
    "gnss_limit_default", "gnss_limit_airborne", "gnss_limit_model", "gnss_limit_fixed", "gnss_limit_likely",
    "gnss_lost_high", "gnss_frozen",
}  # fmt: skip


def test_the_reason_is_written_within_a_minute_of_the_silence(flight):
    if flight.expected.silent_m is None:
        assert not any(flight.of(name) for name in _REASONS)
        return
    above = np.flatnonzero(flight.true["altitude_m"] > flight.expected.silent_m)[0]
    said_s = (flight.boot_utc_ms() + flight.of(flight.expected.reason)[0][0]) / 1000.0
    assert 0 <= said_s - flight.true_s[above] <= 60


def test_sentences_name_the_limit_in_words(flight):
    texts = dict(zip(flight.events["name"], flight.events["text"], strict=True))
    if flight.expected.reason == "gnss_limit_default":
        text = texts["gnss_limit_default"]
        assert text.startswith("receiver silent above 12000 m while pressure altitude rises")
        assert text.endswith("default dynamic model")
    if flight.behaviour in ("older", "newer"):
        assert f"airborne limit is {50000 if flight.behaviour == 'older' else 80000} m" in texts["gnss_identified"]


def test_rows_that_are_not_where_the_box_is_are_flagged_and_no_others(flight):
    across_m, up_m = flight.rows_off_m()
    has_place = flight.fix_type != "none"
    wrong = has_place & ((across_m > 500.0) | (np.nan_to_num(up_m) > 300.0))
    flagged = flight.with_flag("frozen") | flight.with_flag("jump")
    assert not (wrong & ~flagged).any()
    right = has_place & (across_m < LIVE_M) & (np.nan_to_num(up_m) < LIVE_M)
    frozen_start = flight.with_flag("frozen") if flight.behaviour == "freezes_valid" else np.zeros(len(right), bool)
    assert not (right & flagged & ~frozen_start).any()
    expected = {"jumps": "jump", "freezes_valid": "frozen"}.get(flight.behaviour)
    for flag in ("jump", "frozen"):
        assert (flight.with_flag(flag).sum() > 50) == (flag == expected)


def test_rows_without_a_fix_at_the_limit_say_so(flight):
    at_limit = flight.with_flag("limit")
    if flight.expected.reason in ("gnss_limit_default", "gnss_limit_fixed"):
        altitude = flight.at_truth("altitude_m", flight.fix_ms / 1000.0)
        assert at_limit.sum() > 400
        assert altitude[at_limit].min() > flight.expected.silent_m - 2500.0
        assert (flight.fix_type[at_limit] == "none").all()
    else:
        assert not at_limit.any()


def test_phases_are_right_on_the_board_and_on_the_ground(flight):
    launch, burst, landing = flight.board_delays_s()
    assert 0 < launch < 25 and 0 < burst < 25 and 0 < landing < 90
    assert [a for _, a, _ in flight.of("phase")] == [0, 1, 2, 3]
    assert all(abs(error_s) < 3 for error_s in flight.ground_errors_s())


def test_final_altitude_is_the_truth_from_whichever_source(flight):
    in_flight = (flight.row_s > flight.true_phase_s("ascending")) & (flight.row_s < flight.true_phase_s("landed"))
    source = np.array(flight.row["altitude_source"])
    assert not (source[in_flight] == "none").any()
    assert np.abs(flight.altitude_errors_m("gnss")).max() < LIVE_M
    silent_m = flight.expected.silent_m
    if silent_m is not None:
        true_m = flight.at_truth("altitude_m", flight.row_s)
        above = true_m > silent_m + LIVE_M
        assert (source[above] == "pressure").all()
        errors = np.abs(flight.altitude_errors_m("pressure"))
        passed = np.maximum(true_m[source == "pressure"] - silent_m, 0.0)
        assert (errors < LIVE_M + PRESSURE_SHARE * passed).all()
    else:
        assert (source[in_flight] == "gnss").mean() > 0.9
    assert flight.place_errors_m().max() < 60.0


def test_apogee_by_the_receiver_is_one_or_says_that_it_is_none(flight):
    top_m = flight.true["altitude_m"].max()
    results = flight.results
    if flight.expected.silent_m is None:
        assert abs(results["apogee_m"] - top_m) < LIVE_M and results["apogee_note"] is None
        assert results["apogee_best_source"] == "gnss"
    else:
        assert results["apogee_m"] is None and "no height" in results["apogee_note"]
        assert results["apogee_best_source"] == "pressure"
        assert results["apogee_gnss_highest_m"] < flight.expected.silent_m + LIVE_M
    assert abs(results["apogee_best_m"] - top_m) < LIVE_M + PRESSURE_SHARE * (top_m - 12000.0)


def test_utc_line_is_right_within_its_stated_uncertainty(flight):
    boot = flight.integrity["boots"][0]
    assert boot["utc_basis"] == "gps"
    assert flight.line_error_ms() < boot["utc_uncertainty_ms"] < 1000
    for name in ("pressure", "fix", "health"):
        assert all(a < b for a, b in pairwise(flight.flown.table(name)["utc"]))


def test_times_that_are_off_are_flagged_counted_and_explained(flight):
    off_ms = np.abs(flight.gnss_ms - flight.fix_ms)
    flagged = np.array([any(flag.startswith("time_") for flag in flags) for flags in flight.flags])
    known = ~np.isnan(off_ms)
    assert (flagged[known] == (off_ms[known] > 1500)).all() and not flagged[~known].any()
    refused = flight.integrity["boots"][0]["gnss_times_refused"]
    assert set(refused) == set(flight.expected.time)
    assert sum(refused.values()) == flagged.sum()
    assert len(flight.integrity["notes"]) == bool(refused)
    steps = tuple((a, b) for _, a, b in flight.of("gnss_time_step"))
    assert len(steps) == len(flight.expected.steps)
    for (days, ms), (true_days, true_ms) in zip(steps, flight.expected.steps, strict=True):
        assert days == true_days and abs(ms - true_ms) < 500


def test_airborne_mode_is_set_again_within_a_minute_of_a_restart(flight):
    if flight.behaviour != "restarts":
        assert not flight.of("gnss_restarted")
        return
    after_s = flight.configured_after_s()
    assert len(after_s) >= 4
    assert max(after_s) <= 60.0, after_s
    assert len(flight.of("gnss_restarted")) == len(after_s)
