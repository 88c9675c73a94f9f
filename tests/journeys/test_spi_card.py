"""The firmware on its own SPI driver: every byte of the card goes over a virtual bus, and faults befall it."""

import json

import pytest

from ground.simulator.scenario import load_scenario, parse_scenario
from tests.journeys.flights import fly_and_decode

S = 1_000_000


def flown(folder, kind, faults, seconds):
    raw = load_scenario("calm").model_dump(exclude_unset=True) | {"card": {"interface": "spi", "kind": kind}}
    flight = fly_and_decode(folder, parse_scenario(raw, "spi"), faults=faults, stop_after_s=seconds)
    return flight, json.loads((folder / "integrity.json").read_text())


@pytest.mark.parametrize("kind", ["sdhc", "sdsc", "sdsc1"])
def test_a_flight_over_spi_is_as_whole_as_one_over_blocks(kind, tmp_path):
    flight, integrity = flown(tmp_path, kind, (), 60)
    assert flight.flight.complaints() == []
    assert integrity["frames_bad"] == integrity["frames_missing"] == 0
    assert len(flight.table("pressure")["t_ms"]) > 570
    assert max(flight.table("health")["loop_max_ms"]) <= 250


def test_bits_that_flip_on_the_way_to_the_card_cost_nothing(tmp_path):
    flight, integrity = flown(tmp_path, "sdhc", [{"kind": "card_bit_flips", "at_us": 20 * S, "for_us": 60 * S}], 100)
    assert flight.flight.complaints() == []
    assert integrity["frames_bad"] == integrity["frames_missing"] == 0
    assert flight.flight.boots[0]["block_writes"] > 100 + 8  # some of them twice
    assert max(flight.table("health")["loop_max_ms"]) <= 250


def test_a_card_pulled_and_put_back_goes_on_in_its_log_and_a_refusal_is_an_event(tmp_path):
    faults = [
        {"kind": "card_removed", "at_us": 30 * S, "for_us": 3 * S},
        {"kind": "card_refuses", "at_us": 60 * S, "for_us": 2 * S},
    ]
    flight, integrity = flown(tmp_path, "sdhc", faults, 100)
    told = flight.table("event")
    names = [(name, a) for name, a, t_ms in zip(told["name"], told["a"], told["t_ms"], strict=True) if t_ms > 25_000]
    assert [name for name, _ in names if name.startswith(("card_l", "card_b", "log_"))] == [
        "card_lost", "log_resumed", "card_back", "card_lost", "log_resumed", "card_back",
    ]  # fmt: skip
    assert any(name == "card_error" and a == 19 for name, a in names)  # ENODEV, pulled
    assert any(name == "card_error" and a == 5 for name, a in names)  # EIO, refused
    assert flight.flight.complaints() == []
    assert integrity["frames_missing"] == 0  # the ring held what the card could not take
    assert "task_error" not in told["name"]
