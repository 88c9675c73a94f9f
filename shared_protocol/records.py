"""Every record of a log, declared once.

The board's encoder, the ground's decoder, SPEC.md and the layout text inside each log all come from this table.
A field is `(name, code, unit, divisor, invalid, meaning)`: value in `unit` = raw number / divisor, and a raw number
equal to `invalid` (None: there is none) means "not known". Codes are those of Python's struct module, little-endian,
without padding; `8s` and the like are bytes, filled up with zero bytes.

Adding a record: take the next free type, keep the payload even, run the tests, regenerate SPEC.md
(`python -m shared_protocol.spec > shared_protocol/SPEC.md`). Never change a record that has flown: give the new layout
a new type.
"""

from shared_protocol.compat import const

UNKNOWN_I32 = const(-0x80000000)  # "not known" in a signed 32-bit field
UNKNOWN_U32 = const(0xFFFFFFFF)
UNKNOWN_U16 = const(0xFFFF)

HEADER = const(0)
BOOT = const(1)
PROBE = const(2)
PRESSURE_CAL = const(3)
PRESSURE = const(4)
TEMPERATURE = const(5)
CHANNEL = const(6)
POWER = const(7)
FIX = const(8)
ECEF = const(9)
EVENT = const(10)
HEALTH = const(11)
NOTE = const(12)
BMP280_CAL = const(13)
HUMIDITY_CAL = const(14)
HUMIDITY = const(15)
I2C_PROBE = const(16)
FINE_TEMPERATURE = const(17)
CONTINUES = const(18)

CHIP_MS5611 = const(1)
CHIP_DS18B20 = const(2)
CHIP_INA219 = const(3)
CHIP_TMP117 = const(4)
CHIP_BMP280 = const(5)
CHIP_BME280 = const(6)
CHIP_INA226 = const(7)

FIX_NONE = const(0)
FIX_2D = const(2)
FIX_3D = const(3)

SOURCE_NMEA = const(1)
SOURCE_NAV_PVT = const(2)
SOURCE_NAV_SOL = const(3)

# Bits of every `flags` field of a reading. The ground adds what only it can know (see ground/decode).
FLAG_STALE = const(1)  # the value is older than its period
FLAG_BUS_ERROR = const(2)  # the bus failed in this reading or just before it
FLAG_AFTER_RESET = const(4)  # the chip's power-on value, or the first reading after the chip restarted
FLAG_NEVER_CONVERTED = const(8)  # the chip had finished no conversion
FLAG_FROZEN = const(16)  # the same value for longer than a live sensor allows
FLAG_LIMIT = const(32)  # the chip or the receiver says it is at its limit (overflow, altitude limit)
FLAG_ASSUMED_DATE = const(64)  # fix: the message gave a time and no date; the last known date was used
FLAG_JUMP = const(128)  # fix: farther from the fix before than anything flies in that time

_NO = None

RECORDS = (
    (HEADER, "header", (
        ("log_id", "I", "", 1, _NO, "random number of this log"),
        ("boot", "I", "", 1, _NO, "power-up counter of the board"),
        ("sector", "I", "", 1, _NO, "place of this sector in the log, from 0"),
        ("format", "B", "", 1, _NO, "version of the log format"),
        ("kind", "B", "", 1, _NO, "0 frames, 1 text"),
        ("flags", "H", "", 1, _NO, "bit 0: this log is finished, the next power-up starts a new one; "
            "bits 1 and 2: flight phase, as in events; bit 3: a sector of the second copy, with numbers of its own"),
    )),
    (BOOT, "boot", (
        ("firmware", "H", "", 1, _NO, "firmware version, major x 256 + minor"),
        ("cause", "B", "", 1, _NO, "why the board started: 1 power, 2 watchdog, 3 our own reset, 0 unknown"),
        ("flags", "B", "", 1, _NO, "bit 0: resumed a log; bit 1: settings replaced by defaults"),
        ("settings_crc", "I", "", 1, _NO, "CRC-32 of the settings file, 0 without one"),
        ("first_sector", "I", "", 1, _NO, "where in the log this boot began"),
        ("board_id", "8s", "", 1, _NO, "serial number of the board"),
    )),
    (PROBE, "probe", (
        ("probe", "B", "", 1, _NO, "number used by temperature records"),
        ("chip", "B", "", 1, _NO, "2 DS18B20"),
        ("rom", "8s", "", 1, _NO, "1-wire ROM code, family first"),
        ("name", "8s", "", 1, _NO, "what it is called on the ground"),
    )),
    (PRESSURE_CAL, "pressure_cal", (
        ("sensor", "B", "", 1, _NO, "number used by pressure records"),
        ("chip", "B", "", 1, _NO, "1 MS5611"),
        ("c0", "H", "", 1, _NO, "calibration PROM word 0"),
        ("c1", "H", "", 1, _NO, "C1, pressure sensitivity"),
        ("c2", "H", "", 1, _NO, "C2, pressure offset"),
        ("c3", "H", "", 1, _NO, "C3, temperature coefficient of sensitivity"),
        ("c4", "H", "", 1, _NO, "C4, temperature coefficient of offset"),
        ("c5", "H", "", 1, _NO, "C5, reference temperature"),
        ("c6", "H", "", 1, _NO, "C6, temperature coefficient of temperature"),
        ("c7", "H", "", 1, _NO, "PROM word 7, CRC-4 in its low bits"),
    )),
    (PRESSURE, "pressure", (
        ("sensor", "B", "", 1, _NO, "which barometer"),
        ("flags", "B", "", 1, _NO, "see flags"),
        ("d1", "I", "", 1, _NO, "raw pressure word: MS5611 24 bits, BMP280 and BME280 20 bits"),
        ("d2", "I", "", 1, _NO, "raw temperature word, as wide"),
    )),
    (TEMPERATURE, "temperature", (
        ("probe", "B", "", 1, _NO, "which thermometer"),
        ("flags", "B", "", 1, _NO, "see flags"),
        ("raw", "h", "degC", 16, _NO, "scratchpad word of a DS18B20"),
    )),
    (CHANNEL, "channel", (
        ("channel", "B", "", 1, _NO, "number used by power records"),
        ("chip", "B", "", 1, _NO, "3 INA219, 7 INA226"),
        ("config", "H", "", 1, _NO, "configuration register as read back"),
        ("shunt", "I", "ohm", 1000000, _NO, "shunt resistor from the settings"),
        ("name", "8s", "", 1, _NO, "what it is called on the ground"),
    )),
    (POWER, "power", (
        ("channel", "B", "", 1, _NO, "which supply"),
        ("flags", "B", "", 1, _NO, "see flags"),
        ("bus", "H", "", 1, _NO, "raw bus-voltage register (INA219: bits 15..3 count 4 mV; INA226: 1.25 mV)"),
        ("shunt", "h", "", 1, _NO, "raw shunt-voltage register (INA219: 10 uV; INA226: 2.5 uV)"),
    )),
    (FIX, "fix", (
        ("year", "H", "", 1, 0, "date as the receiver said it, UTC"),
        ("month", "B", "", 1, 0, ""),
        ("day", "B", "", 1, 0, ""),
        ("utc", "i", "ms", 1, UNKNOWN_I32, "milliseconds of the UTC day; below 0 or past the day's end is meant"),
        ("latitude", "i", "deg", 10000000, UNKNOWN_I32, "north positive, WGS 84"),
        ("longitude", "i", "deg", 10000000, UNKNOWN_I32, "east positive, WGS 84"),
        ("altitude", "i", "m", 1000, UNKNOWN_I32, "above mean sea level"),
        ("ellipsoid_height", "i", "m", 1000, UNKNOWN_I32, "above the WGS 84 ellipsoid"),
        ("speed", "i", "m/s", 1000, UNKNOWN_I32, "over ground"),
        ("course", "i", "deg", 100000, UNKNOWN_I32, "over ground, from true north"),
        ("climb", "i", "m/s", 1000, UNKNOWN_I32, "upward positive"),
        ("accuracy", "I", "m", 1000, UNKNOWN_U32, "horizontal, the receiver's own estimate"),
        ("hdop", "H", "", 100, UNKNOWN_U16, "NMEA: horizontal dilution of precision; UBX: position dilution"),
        ("satellites", "B", "", 1, 0xFF, "used in the fix"),
        ("fix_type", "B", "", 1, _NO, "0 none, 2 two-dimensional (no height), 3 three-dimensional"),
        ("source", "B", "", 1, _NO, "1 NMEA, 2 UBX NAV-PVT"),
        ("flags", "B", "", 1, _NO, "see flags"),
    )),
    (ECEF, "ecef", (
        ("tow", "I", "ms", 1, _NO, "GPS time of week"),
        ("week", "h", "", 1, -1, "GPS week"),
        ("satellites", "B", "", 1, 0xFF, "used in the fix"),
        ("fix_type", "B", "", 1, _NO, "0 none, 2 two-dimensional, 3 three-dimensional"),
        ("leap", "b", "s", 1, -128, "GPS minus UTC as the receiver said it"),
        ("flags", "B", "", 1, _NO, "see flags"),
        ("x", "i", "m", 100, _NO, "Earth-centred Earth-fixed, WGS 84"),
        ("y", "i", "m", 100, _NO, ""),
        ("z", "i", "m", 100, _NO, ""),
        ("accuracy", "I", "m", 100, UNKNOWN_U32, "position, the receiver's own estimate"),
    )),
    (EVENT, "event", (
        ("code", "H", "", 1, _NO, "what happened, see events"),
        ("source", "B", "", 1, _NO, "which part"),
        ("unit", "B", "", 1, _NO, "which one of several"),
        ("a", "i", "", 1, _NO, "first detail, see events"),
        ("b", "i", "", 1, _NO, "second detail, see events"),
    )),
    (HEALTH, "health", (
        ("loop_max", "H", "ms", 1, _NO, "longest turn of the loop since the last such record"),
        ("card_write_max", "H", "ms", 1, _NO, "longest card write since the last such record"),
        ("card_errors", "H", "", 1, _NO, "failed card writes since power-up"),
        ("bus_errors", "H", "", 1, _NO, "failed chip readings since power-up"),
        ("gnss_bad", "H", "", 1, _NO, "receiver messages with a wrong checksum since power-up"),
        ("heap_free", "I", "byte", 1, _NO, "free memory"),
        ("sectors", "I", "", 1, _NO, "sectors written since power-up"),
        ("battery_raw", "H", "", 1, _NO, "ADC reading, 0 to 65535"),
        ("battery_full_scale", "H", "V", 1000, _NO, "battery voltage that reads 65535"),
    )),
    (NOTE, "note", (
        ("source", "B", "", 1, _NO, "which part"),
        ("part", "B", "", 1, _NO, "piece number of a longer text, from 0"),
        ("text", "44s", "", 1, _NO, "text, filled up with zero bytes"),
    )),
    (BMP280_CAL, "bmp280_cal", (
        ("sensor", "B", "", 1, _NO, "number used by pressure records"),
        ("chip", "B", "", 1, _NO, "5 BMP280, 6 BME280"),
        ("t1", "H", "", 1, _NO, "calibration of temperature"),
        ("t2", "h", "", 1, _NO, ""),
        ("t3", "h", "", 1, _NO, ""),
        ("p1", "H", "", 1, _NO, "calibration of pressure"),
        ("p2", "h", "", 1, _NO, ""),
        ("p3", "h", "", 1, _NO, ""),
        ("p4", "h", "", 1, _NO, ""),
        ("p5", "h", "", 1, _NO, ""),
        ("p6", "h", "", 1, _NO, ""),
        ("p7", "h", "", 1, _NO, ""),
        ("p8", "h", "", 1, _NO, ""),
        ("p9", "h", "", 1, _NO, ""),
    )),
    (HUMIDITY_CAL, "humidity_cal", (
        ("sensor", "B", "", 1, _NO, "number used by humidity records"),
        ("chip", "B", "", 1, _NO, "6 BME280"),
        ("h1", "B", "", 1, _NO, "calibration of humidity"),
        ("h3", "B", "", 1, _NO, ""),
        ("h2", "h", "", 1, _NO, ""),
        ("h4", "h", "", 1, _NO, "12 bits"),
        ("h5", "h", "", 1, _NO, "12 bits"),
        ("h6", "h", "", 1, _NO, ""),
    )),
    (HUMIDITY, "humidity", (
        ("sensor", "B", "", 1, _NO, "which barometer"),
        ("flags", "B", "", 1, _NO, "see flags"),
        ("humidity", "H", "", 1, _NO, "raw humidity word"),
        ("d2", "I", "", 1, _NO, "raw temperature word of the same measurement, 20 bits"),
    )),
    (I2C_PROBE, "i2c_probe", (
        ("probe", "B", "", 1, _NO, "number used by fine_temperature records"),
        ("chip", "B", "", 1, _NO, "4 TMP117"),
        ("address", "H", "", 1, _NO, "on the I2C bus"),
        ("serial", "8s", "", 1, _NO, "serial number from the chip's own memory"),
        ("name", "8s", "", 1, _NO, "what it is called on the ground"),
    )),
    (FINE_TEMPERATURE, "fine_temperature", (
        ("probe", "B", "", 1, _NO, "which thermometer"),
        ("flags", "B", "", 1, _NO, "see flags"),
        ("raw", "h", "degC", 128, _NO, "result register of a TMP117"),
    )),
    (CONTINUES, "continues", (
        ("log_id", "I", "", 1, _NO, "log before this one: both are of one flight"),
    )),
)

# What the second copy thins to one set in five seconds (second_copy.py). All other frames go into it.
READINGS = (PRESSURE, TEMPERATURE, POWER, FIX, ECEF, HEALTH, HUMIDITY, FINE_TEMPERATURE)


def payload_format(fields):
    """struct format of a record's payload, little-endian."""
    return "<" + "".join([field[1] for field in fields])


def declaration(record_type):
    """The `(type, name, fields)` of a record type; KeyError for a type that is not declared."""
    for entry in RECORDS:
        if entry[0] == record_type:
            return entry
    raise KeyError(record_type)
