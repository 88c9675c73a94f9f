"""What the virtual receiver is told and what it answers, read by pyubx2 (PyPI)."""

from itertools import pairwise

import pytest
from pyubx2 import SET, UBXMessage

from tests.simulator.listener import Listener, check_frame, named, resynced, understood, whole

DYNMODEL_KEY = 0x20110021



@pytest.mark.parametrize(("poll", "answer"), [
    ("ubx.cfg_nav5.poll", "CFG-NAV5"), ("ubx.mon_ver.poll", "MON-VER"), ("ubx.nav_pvt.poll", "NAV-PVT"),
])  # fmt: skip
def test_polls_are_answered(poll, answer):
    listener = Listener()
    listener.quiet()
    messages = understood(listener.tell(check_frame(poll)))
    assert messages[0].identity == answer



def test_versions_name_generation_and_protocol():
    for generation, protocol in (("m8", "PROTVER=18.00"), ("m10", "PROTVER=34.10")):
        listener = Listener(generation)
        listener.quiet()
        message = named(understood(listener.tell(check_frame("ubx.mon_ver.poll"))), "MON-VER")[0]
        extensions = b" ".join(value for name, value in vars(message).items() if name.startswith("extension"))
        assert protocol.encode() in extensions



def test_the_airborne_model_is_set_acknowledged_and_read_back_on_m8():
    listener = Listener()
    listener.quiet()
    assert listener.tell(check_frame("ubx.cfg_nav5.set6")) == check_frame("ubx.ack.nav5")
    assert understood(listener.tell(check_frame("ubx.cfg_nav5.poll")))[0].dynModel == 6
    assert listener.tell(check_frame("ubx.valset.dyn6.RAM")) == check_frame("ubx.nak.valset")



def test_a_model_that_is_not_there_is_refused():
    listener = Listener()
    listener.quiet()
    bad = UBXMessage("CFG", "CFG-NAV5", SET, dyn=1, dynModel=1)
    assert listener.tell(bad) == check_frame("ubx.nak.nav5")
    assert understood(listener.tell(check_frame("ubx.cfg_nav5.poll")))[0].dynModel == 0



def test_a_mask_without_the_model_leaves_it_alone():
    listener = Listener()
    listener.quiet()
    unmasked = UBXMessage("CFG", "CFG-NAV5", SET, minEl=1, minElev=10, dynModel=6)
    assert listener.tell(unmasked) == check_frame("ubx.ack.nav5")
    assert understood(listener.tell(check_frame("ubx.cfg_nav5.poll")))[0].dynModel == 0



def test_the_airborne_model_is_set_acknowledged_and_read_back_on_m10():
    listener = Listener("m10")
    listener.quiet()
    assert listener.tell(check_frame("ubx.valset.dyn6.RAM")) == check_frame("ubx.ack.valset")
    answer = listener.tell(check_frame("ubx.valget.dyn"))
    assert answer.startswith(check_frame("ubx.valget.reply"))
    assert named(understood(answer), "CFG-VALGET")[0].CFG_NAVSPG_DYNMODEL == 6
    assert listener.tell(check_frame("ubx.cfg_nav5.set6")) == check_frame("ubx.nak.nav5")



@pytest.mark.parametrize(("layers", "data"), [
    (4, [(DYNMODEL_KEY, 6)]), (0, [(DYNMODEL_KEY, 6)]), (1, [(DYNMODEL_KEY, 1)]),
    (1, [("CFG_TP_PERIOD_TP1", 5), (DYNMODEL_KEY, 6)]),
])  # fmt: skip
def test_an_unusable_valset_is_refused_as_a_whole(layers, data):
    listener = Listener("m10")
    listener.quiet()
    assert listener.tell(UBXMessage.config_set(layers, 0, data)) == check_frame("ubx.nak.valset")
    assert named(understood(listener.tell(check_frame("ubx.valget.dyn"))), "CFG-VALGET")[0].CFG_NAVSPG_DYNMODEL == 0



@pytest.mark.parametrize("generation", ["m8", "m10"])
def test_message_and_rate_settings_change_what_is_said(generation):
    listener = Listener(generation)
    listener.listen(25)
    if generation == "m8":
        listener.tell(UBXMessage("CFG", "CFG-MSG", SET, msgClass=1, msgID=7, rateUART1=1))
        for number in range(6):
            listener.tell(UBXMessage("CFG", "CFG-MSG", SET, payload=b"\xf0" + bytes([number, 0])), 0.1)
        listener.tell(UBXMessage("CFG", "CFG-RATE", SET, measRate=200, navRate=1, timeRef=1), 2)
    else:
        keys = [("CFG_MSGOUT_UBX_NAV_PVT_UART1", 1), ("CFG_UART1OUTPROT_NMEA", 0), ("CFG_RATE_MEAS", 200)]
        listener.tell(UBXMessage.config_set(1, 0, keys), 2)
    messages = understood(whole(resynced(listener.listen(4.0))))
    assert {message.identity for message in messages} == {"NAV-PVT"}
    assert len(messages) in (19, 20, 21)
    steps = {b.iTOW - a.iTOW for a, b in pairwise(messages)}
    assert steps == {200}



def test_m8_tells_its_rates_and_its_port():
    listener = Listener()
    listener.quiet()
    rate = understood(listener.tell(UBXMessage("CFG", "CFG-RATE", 2)))[0]
    assert (rate.measRate, rate.navRate) == (1000, 1)
    port = understood(listener.tell(UBXMessage("CFG", "CFG-PRT", 2)))[0]
    assert (port.portID, port.baudRate, port.outNMEA, port.outUBX) == (1, 9600, 0, 1)
    message = understood(listener.tell(UBXMessage("CFG", "CFG-MSG", 2, msgClass=0xF0, msgID=0)))[0]
    assert message.rateUART1 == 1



@pytest.mark.parametrize("generation", ["m8", "m10"])
def test_what_is_unknown_is_not_acknowledged(generation):
    listener = Listener(generation)
    listener.quiet()
    for message in (UBXMessage("CFG", "CFG-TP5", 2), UBXMessage("MON", "MON-RXR", 2)):
        answer = understood(listener.tell(message))
        assert [each.identity for each in answer] == ["ACK-NAK"]



def test_a_command_with_a_wrong_checksum_is_ignored():
    listener = Listener()
    listener.quiet()
    frame = bytearray(check_frame("ubx.cfg_nav5.set6"))
    frame[-1] ^= 1
    assert listener.tell(bytes(frame)) == b""
    assert listener.tell(b"$GPTXT,noise\xb5\xb5" + check_frame("ubx.cfg_nav5.set6")[1:]) == check_frame("ubx.ack.nav5")



def test_a_command_in_pieces_is_understood():
    listener = Listener()
    listener.quiet()
    for byte in check_frame("ubx.cfg_nav5.set6"):
        listener.uart.write(bytes([byte]))
        listener.bench.clock.sleep_ms(3)
    assert listener.listen(0.5) == check_frame("ubx.ack.nav5")



def test_a_receiver_that_only_talks_ignores_every_command():
    listener = Listener("nmea_only")
    listener.listen(3)
    for name in ("ubx.mon_ver.poll", "ubx.cfg_nav5.set6", "ubx.valset.dyn6.RAM"):
        assert b"\xb5\x62" not in listener.tell(check_frame(name))



def test_a_new_bit_rate_holds_from_the_next_message_on():
    listener = Listener()
    listener.listen(2)
    listener.tell(UBXMessage("CFG", "CFG-PRT", SET, portID=1, charLen=3, parity=4, nStopBits=0, baudRate=38400,
                             inUBX=1, outUBX=1, outNMEA=1, inNMEA=1), 1.5)  # fmt: skip
    wrong = listener.listen(3)
    assert b"$GN" not in wrong
    listener.uart.init(baudrate=38400)
    assert b"$GNRMC" in listener.listen(2)
    assert listener.tell(check_frame("ubx.cfg_nav5.set6")).count(check_frame("ubx.ack.nav5")) == 1



def test_commands_at_a_wrong_bit_rate_are_not_heard():
    listener = Listener()
    listener.quiet()
    listener.uart.init(baudrate=38400)
    listener.uart.write(check_frame("ubx.cfg_nav5.set6"))
    listener.uart.init(baudrate=9600)
    assert listener.listen(2) == b""

