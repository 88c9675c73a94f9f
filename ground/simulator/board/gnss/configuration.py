"""What the host can set, and how each generation answers: CFG-* messages on M8, configuration keys on M10.

Sources: u-blox M8 receiver description (UBX-13003221) and M10 interface description (UBX-21035062), from memory; key
numbers from the pyubx2 key database. A generation refuses (ACK-NAK) what it does not have: keys on M8, the old
CFG-PRT, CFG-MSG, CFG-RATE and CFG-NAV5 on M10. Nothing is saved for the next start: the module has no flash, and
its battery-backed memory lives only as long as its supply, so a restart comes back in the default mode.
"""

from struct import pack, unpack

from ground.simulator.board.gnss import limits

NAV, ACK, CFG, MON, NMEA = 0x01, 0x05, 0x06, 0x0A, 0xF0
NAV_PVT, NAV_STATUS = (NAV, 0x07), (NAV, 0x03)
GGA, GLL, GSA, GSV, RMC, VTG, ZDA = [(NMEA, number) for number in (0x00, 0x01, 0x02, 0x03, 0x04, 0x05, 0x08)]
DEFAULT_MESSAGES = (RMC, VTG, GGA, GSA, GSV, GLL)
_MESSAGES = (NAV_PVT, NAV_STATUS, GGA, GLL, GSA, GSV, RMC, VTG, ZDA)
_PORT_UART1 = 1
_UBX, _NMEA = 1, 2  # bits of the protocol masks
_RAM, _BBR, _FLASH, _DEFAULT = 0, 1, 2, 7  # layers of VALGET
_MODE_8N1 = 0x08D0
_BAUDS = (4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800)
_MEASURE_MS_MIN = 50

# Key: (bytes of the value, name in Configuration or message). From the pyubx2 key database.
_KEYS = {
    0x20110021: (1, "model"), 0x30210001: (2, "measure_ms"), 0x30210002: (2, "navigation_every"),
    0x40520001: (4, "baud"),
    0x10730001: (1, "in_ubx"), 0x10730002: (1, "in_nmea"), 0x10740001: (1, "out_ubx"), 0x10740002: (1, "out_nmea"),
    0x20910007: (1, NAV_PVT), 0x2091001B: (1, NAV_STATUS),
    0x209100BB: (1, GGA), 0x209100CA: (1, GLL), 0x209100C0: (1, GSA), 0x209100C5: (1, GSV), 0x209100AC: (1, RMC),
    0x209100B1: (1, VTG), 0x209100D9: (1, ZDA),
}
_VALUE_FORMATS = {1: "<B", 2: "<H", 4: "<I"}

_NAV5_DEFAULT = (  # CFG-NAV5 after a cold start: mask all, model, auto fix mode, ... (UBX-13003221, 32.10.17)
    "<HBBiIbBHHHHBBBBHHBBBBBB",
    (0xFFFF, 0, 3, 0, 10000, 5, 0, 250, 250, 100, 350, 0, 60, 0, 0, 0, 200, 0, 0, 0, 0, 0, 0),
)


class Configuration:
    """The settings of one receiver as they are in RAM, and the answers to what the host says."""

    def __init__(self, generation, baud):
        self.generation = generation
        self._baud_default = baud
        self.reset()

    def reset(self):
        """Back to the default mode."""
        self.values = {
            "model": limits.PORTABLE, "measure_ms": 1000, "navigation_every": 1, "baud": self._baud_default,
            "in_ubx": 1, "in_nmea": 1, "out_ubx": 1, "out_nmea": 1,
        }
        self.rates = {}
        for message in _MESSAGES:
            self.rates[message] = 1 if message in DEFAULT_MESSAGES else 0

    def save(self):
        return {"values": self.values, "rates": [[list(key), rate] for key, rate in self.rates.items()]}

    def restore(self, state):
        self.values = state["values"]
        for key, rate in state["rates"]:
            self.rates[tuple(key)] = rate

    def wanted(self, message, epoch):
        """Whether a message is due in this epoch."""
        rate = self.rates[message]
        if not rate or epoch % rate:
            return False
        return self.values["out_nmea" if message[0] == NMEA else "out_ubx"] != 0

    def answer(self, message_class, message_id, payload):
        """What to say to one frame of the host: a list of (class, id, payload). A poll gets its message first.

        Messages that only the receiver itself can answer (navigation, restart) are not handled here.
        """
        if (message_class, message_id) == (MON, 0x04) and not payload:
            return [(MON, 0x04, _versions(self.generation))]
        said = None
        if message_class == CFG:
            handler = self._handlers().get(message_id)
            if handler is not None:
                said = handler(payload)
        if said is None:
            return [(ACK, 0x00, bytes((message_class, message_id)))]
        return said + [(ACK, 0x01, bytes((message_class, message_id)))]

    def _handlers(self):
        if self.generation == "m10":
            return {0x09: self._cfg_cfg, 0x8A: self._valset, 0x8B: self._valget}
        return {0x00: self._port, 0x01: self._message, 0x08: self._rate, 0x09: self._cfg_cfg, 0x24: self._nav5}

    # Each handler gives None to refuse, else the messages to say before the acknowledgement.

    def _cfg_cfg(self, payload):
        if len(payload) not in (12, 13):
            return None
        clear_mask, _, load_mask = unpack("<III", payload[:12])
        if clear_mask and load_mask:
            self.reset()
        return []

    def _port(self, payload):
        values = self.values
        if len(payload) <= 1:
            if payload and payload[0] != _PORT_UART1:
                return None
            masks = [values[way + "_ubx"] * _UBX | values[way + "_nmea"] * _NMEA for way in ("in", "out")]
            return [(CFG, 0x00, pack("<BBHIIHHHH", _PORT_UART1, 0, 0, _MODE_8N1, values["baud"], masks[0], masks[1],
                                     0, 0))]
        if len(payload) != 20:
            return None
        port, _, _, mode, baud, mask_in, mask_out, _, _ = unpack("<BBHIIHHHH", payload)
        if port != _PORT_UART1 or baud not in _BAUDS or mode & 0xFC0 != _MODE_8N1 & 0xFC0:
            return None
        values["baud"] = baud
        values["in_ubx"], values["in_nmea"] = mask_in & _UBX, (mask_in & _NMEA) >> 1
        values["out_ubx"], values["out_nmea"] = mask_out & _UBX, (mask_out & _NMEA) >> 1
        return []

    def _message(self, payload):
        message = tuple(payload[:2])
        if len(payload) not in (2, 3, 8) or message not in self.rates:
            return None
        if len(payload) == 2:
            rates = bytearray(6)
            rates[_PORT_UART1] = self.rates[message]
            return [(CFG, 0x01, bytes(payload) + bytes(rates))]
        self.rates[message] = payload[2] if len(payload) == 3 else payload[2 + _PORT_UART1]
        return []

    def _rate(self, payload):
        values = self.values
        if not payload:
            return [(CFG, 0x08, pack("<HHH", values["measure_ms"], values["navigation_every"], 1))]
        if len(payload) != 6:
            return None
        measure_ms, every, _ = unpack("<HHH", payload)
        if measure_ms < _MEASURE_MS_MIN or not 1 <= every <= 127:
            return None
        values["measure_ms"], values["navigation_every"] = measure_ms, every
        return []

    def _nav5(self, payload):
        if not payload:
            layout, defaults = _NAV5_DEFAULT
            fields = list(defaults)
            fields[1] = self.values["model"]
            return [(CFG, 0x24, pack(layout, *fields))]
        if len(payload) != 36:
            return None
        mask, model = unpack("<HB", payload[:3])
        if mask & 1:
            if not limits.is_model(model):
                return None
            self.values["model"] = model
        return []

    def _valset(self, payload):
        """Set keys. All or nothing: an unknown key, a bad value or a layer that is not there refuses the whole."""
        if len(payload) < 8 or payload[0] > 1 or payload[1] & ~3 or not payload[1] & 3:
            return None
        changes = []
        at = 4
        while at < len(payload):
            if at + 4 > len(payload):
                return None
            key = unpack("<I", payload[at:at + 4])[0]
            at += 4
            if key not in _KEYS or at + _KEYS[key][0] > len(payload):
                return None
            size, what = _KEYS[key]
            value = unpack(_VALUE_FORMATS[size], payload[at:at + size])[0]
            at += size
            if not _acceptable(what, value):
                return None
            changes.append((what, value))
        if payload[1] & 1:
            for what, value in changes:
                if what in self.rates:
                    self.rates[what] = value
                else:
                    self.values[what] = value
        return []

    def _valget(self, payload):
        if len(payload) < 8 or len(payload) % 4 or payload[0] != 0:
            return None
        layer = payload[1]
        if layer not in (_RAM, _DEFAULT):  # nothing is ever stored in the other layers
            return None
        source = self
        if layer == _DEFAULT:
            source = Configuration(self.generation, self._baud_default)
        reply = bytes((1, layer)) + payload[2:4]
        for at in range(4, len(payload), 4):
            key = unpack("<I", payload[at:at + 4])[0]
            if key not in _KEYS:
                return None
            size, what = _KEYS[key]
            value = source.rates[what] if what in source.rates else source.values[what]
            reply += payload[at:at + 4] + pack(_VALUE_FORMATS[size], value)
        return [(CFG, 0x8B, reply)]


def _acceptable(what, value):
    if what == "model":
        return limits.is_model(value)
    if what == "measure_ms":
        return value >= _MEASURE_MS_MIN
    if what == "navigation_every":
        return 1 <= value <= 127
    if what == "baud":
        return value in _BAUDS
    return value <= 1 if isinstance(what, str) else True


def _versions(generation):
    """MON-VER: software (30 bytes), hardware (10), then extensions of 30 bytes each."""
    software, hardware, extensions = {
        "m8": ("ROM CORE 3.01 (107888)", "00080000",
               ("FWVER=SPG 3.01", "PROTVER=18.00", "GPS;GLO;GAL;BDS", "SBAS;IMES;QZSS")),
        "m10": ("ROM SPG 5.10 (7b202e)", "000A0000",
                ("FWVER=SPG 5.10", "PROTVER=34.10", "GPS;GLO;GAL;BDS", "SBAS;QZSS")),
    }[generation]
    return _padded(software, 30) + _padded(hardware, 10) + b"".join([_padded(text, 30) for text in extensions])


def _padded(text, length):
    data = text.encode()
    return data + bytes(length - len(data))
