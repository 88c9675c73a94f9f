"""The text inside a log and SPEC.md say what the declarations say."""

from pathlib import Path

import pytest

import shared_protocol
from shared_protocol import events, frame, layout, spec
from shared_protocol.event_text import EVENTS, SOURCES, say
from shared_protocol.records import RECORDS
from tests.interpreters import INTERPRETERS, run


def test_spec_page_is_the_one_the_declarations_make():
    committed = (Path(shared_protocol.__file__).parent / "SPEC.md").read_text(encoding="utf-8")
    assert committed == spec.page(), "regenerate: python -m shared_protocol.spec > shared_protocol/SPEC.md"


def test_every_text_sector_holds_whole_ascii_lines():
    contact = "Café Ünder\nthe number on the lid " + "9" * 600
    sectors = list(layout.text_sectors(contact))
    assert "\n".join(sectors).split("\n") == list(layout.lines(contact))
    for number, text in enumerate(sectors):
        assert frame.decode_text_sector(frame.encode_text_sector(text, 1, 2, number, 0, 0)) == text


def test_text_names_every_record_field_event_and_source():
    text = "\n".join(layout.lines("x"))
    for record_type, name, fields in RECORDS:
        assert f"record {record_type} {name} length {frame.PAYLOAD_SIZES[record_type]}" in text
        assert all(f"field {field[0]} {field[1]}" in text for field in fields)
    assert all(sentence in text for _code, _name, sentence in EVENTS)
    assert all(source in text for source in SOURCES)


def test_events_and_their_sentences_are_declared_one_to_one():
    states = ("PHASE_", "GNSS_NO_ANSWER", "GNSS_NO_FIX", "GNSS_FIX", "GNSS_ALTITUDE_LIMIT")
    first_source = list(vars(events)).index("SYSTEM")
    names = [name for name in list(vars(events))[:first_source] if name.isupper() and not name.startswith(states)]
    assert len({code for code, _, _ in EVENTS}) == len(EVENTS)
    assert [name.lower() for name in names] == [name for _, name, _ in EVENTS]


def test_no_contact_is_said_and_not_left_blank():
    assert "no contact was given" in list(layout.lines(""))


def test_both_pythons_write_the_same_text():
    code = "from shared_protocol import layout\nfor t in layout.text_sectors('call the number on the lid'): print(t)"
    assert len({run(code, interpreter) for interpreter in INTERPRETERS}) == 1


@pytest.mark.parametrize(
    "code, a, b, expected",
    [
        (events.GNSS_IDENTIFIED, 1800, 50000, "receiver speaks protocol version 18.00 (0.00: it names none)"),
        (events.CHIP_PRESENT, 0xC1E210, 0, "chip answers at address C1E210 hex"),
        (events.PHASE, 1, -1, "3 landed) at unknown pressure altitude"),
        (events.PHASE, 1, 1234, "3 landed) at 1234 m pressure altitude"),
        (events.GNSS_STATE, 1, -1, "pressure altitude unknown"),
    ],
)
def test_sentences_say_numbers_in_the_form_that_people_read(code, a, b, expected):
    sentence = next(entry[2] for entry in EVENTS if entry[0] == code)
    assert expected in say(sentence, a, b)


def test_no_sentence_has_a_place_that_nothing_fills():
    assert [sentence for _, _, sentence in EVENTS if "{" in say(sentence, 1, 2)] == []
